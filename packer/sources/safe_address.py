"""An address in the forms in which it may be written down: shown, as a name of its source, kept, and handed on."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from urllib.parse import quote, quote_plus, urlsplit

from packer.sources.address import PLACEHOLDER
from packer.sources.secrecy import MASK, Place, Secrets, is_key, literals_of, looks_like_key, rewritten

__all__ = [
    "fingerprint",
    "kept_form",
    "literal_key",
    "refusal",
    "shown",
    "shown_within",
    "source_form",
    "without_keys",
]

_LEAST = 4
_PARAMETER = re.compile(r"[A-Za-z_.-]{1,24}")
_URL = re.compile(r"[a-z][a-z0-9+.-]*://[^\s\"'<>()\\^`|]+", re.IGNORECASE)
_MARKS = re.compile(r"[/.,:;_-]*")
_VARIABLE = re.compile(r"\$\{[^{}]*\}")
_VALUE = re.compile(r"=.*\$\{.*")
_ESCAPE = re.compile(r"%[0-9A-F]{2}")
# What the standards themselves put into a query is no key: 07-057r7, clause 8.2.1; 06-042, table 8 and annex C.3.4;
# 01-068r3, table 8. `map` names the service at one address, by common practice.
_STANDARD_NAME = re.compile(
    r"service|request|version|layers?|styles?|format|tilematrix(set)?|[cs]rs|bbox|width|height|transparent|bgcolor"
    r"|exceptions|time|elevation|f|datetime|collections|dim_[a-z0-9_.-]{1,40}|map",
    re.IGNORECASE,
)


def shown(url: str) -> str:
    """What may be shown of an address: the host and the path but for what looks like a key there, and the names in the
    query. Variables stay unfilled; there is no user and no fragment."""

    def masked(place: Place, name: str, text: str) -> str:
        if place is Place.PATH:
            return _hidden(name, text)
        if place is Place.USER or not text or _is_placeholder(text):
            return text
        return MASK

    whole = rewritten(url.partition("#")[0], masked)
    scheme, mark, rest = whole.partition("://")
    place, question, query = rest.partition("?") if mark else whole.partition("?")
    netloc, slash, path = place.partition("/")
    query = "&".join(map(_named, query.split("&"))) if question else ""
    return f"{scheme if mark else ''}{mark}{netloc.rpartition('@')[2]}{slash}{path}{question}{query}"


def _hidden(name: str, text: str) -> str:
    """A piece of a path with *** in place of what looks like a key between its placeholders."""
    if not is_key(Place.PATH, name, text):
        return text
    return _beside_placeholders(text, lambda _: MASK)


def _beside_placeholders(text: str, change: Callable[[str], str]) -> str:
    """The text with all that is neither a placeholder nor a mark between two as `change` gives it."""
    kept = PLACEHOLDER.findall(text)
    parts = [part if _MARKS.fullmatch(part) else change(part) for part in PLACEHOLDER.split(text)]
    return "".join(a + b for a, b in zip(parts, [*kept, ""], strict=True))


def _is_placeholder(text: str) -> bool:
    return PLACEHOLDER.fullmatch(text) is not None


def _named(piece: str) -> str:
    name, equals, value = piece.partition("=")
    if not equals:
        return piece  # masked already
    plain = _PARAMETER.fullmatch(name) and not looks_like_key(name)
    return f"{name if plain else MASK}={value}"  # a key may stand there without a name


def shown_within(text: str) -> str:
    """A text with each address in it as it may be shown."""
    return _URL.sub(lambda found: shown(found[0]), text)


def source_form(url: str) -> str:
    """The address with *** wherever a key stands, by a variable or in full, so that it is the same for everybody who
    asks this source, whatever their keys are and however they are given."""
    place, question, query = shown(url).partition("?")
    head, mark, rest = place.partition("://")
    host, *pieces = rest.split("/")
    values = [_VALUE.sub(f"={MASK}", piece) for piece in query.split("&")]
    values = [MASK if value.startswith("${") else value for value in values]
    return f"{head}{mark}{'/'.join([host, *map(_masked_step, pieces)])}{question}{'&'.join(values)}"


def _masked_step(piece: str) -> str:
    text = _VARIABLE.sub(MASK, piece)
    if MASK not in text:
        return piece
    return _beside_placeholders(text, lambda part: MASK if MASK in part else part)


def fingerprint(url: str) -> str:
    """A name for the source that holds no key: the start of the SHA-256 of its `source_form`."""
    return hashlib.sha256(source_form(url).encode()).hexdigest()[:16]


# ------------------------------------------------------------------------------------- kept


def kept_form(template: str, named: Mapping[str, str], secrets: Secrets) -> str:
    """A server's template as it may be kept: the values of variables as `${NAME}`, all else that may be a key as ***.

    `named` has the values of the variables that the brief's layer names; `secrets` are further texts that went into the
    request for the offer. What stands in a query or before an @ and is neither is taken for a key, apart from what the
    standards put there; so is what looks like one in the path. A kept form is its own kept form.
    """
    scheme, mark, rest = template.partition("://")
    known = _Known(named, secrets)
    place, question, query = known.loosely(rest).partition("?")
    netloc, slash, path = place.partition("/")
    user, at, host = netloc.rpartition("@")
    host, colon, port = host.rpartition(":") if ":" in host.rpartition("]")[2] else (host, "", "")
    port = known.filled(port)  # a number that happens to be the value of a variable is still the port
    whole = f"{scheme}{mark}{user}{at}{host}{colon}{port}{slash}{path}{question}{query}"
    return rewritten(whole, known.piece)


class _Known:
    def __init__(self, named: Mapping[str, str], secrets: Secrets) -> None:
        # Longest first, so that one value inside another does not hide it.
        self._named = sorted(named.items(), key=lambda item: -len(item[1]))
        texts = {*secrets.texts, *(form for value in named.values() for form in _encoded(value))}
        texts |= {form for text in secrets.texts for form in _encoded(text)}
        self._texts = sorted((text for text in texts if len(text) >= _LEAST), key=len, reverse=True)

    def loosely(self, text: str) -> str:
        """With what is known replaced, wherever it stands outside of placeholders."""
        for name, value in self._named:
            if len(value) >= _LEAST:
                text = _outside(text, value, f"${{{name}}}")
        for known in self._texts:
            text = _outside(text, known, MASK)
        return text

    def filled(self, text: str) -> str:
        """With the values of variables back in their places."""
        for name, value in self._named:
            text = text.replace(f"${{{name}}}", value)
        return text

    def strictly(self, text: str) -> str:
        """What `loosely` gave, with *** in place of all that is neither a placeholder nor a mark between two."""
        for name, value in self._named:
            if text == value:
                return f"${{{name}}}"
        return _beside_placeholders(text, lambda _: MASK)

    def piece(self, place: Place, name: str, text: str) -> str:
        """One piece of an address, likewise; what the standards put there stays, and so does a plain path."""
        if place is Place.PATH:
            return _hidden(name, text)
        return text if place is Place.QUERY and _STANDARD_NAME.fullmatch(name) else self.strictly(text)


def _encoded(text: str) -> set[str]:
    """The ways in which a text may stand in an address, other than as it is."""
    every = {quote(text, safe=""), quote(text), quote_plus(text)} - {text}
    return every | {_ESCAPE.sub(lambda m: m[0].lower(), form) for form in every}


def _outside(text: str, old: str, new: str) -> str:
    return _beside_placeholders(text, lambda part: part.replace(old, new))


# ------------------------------------------------------------------------------------- handed on


def without_keys(url: str, instead: Callable[[Place, str, str], str]) -> str:
    """The address with something else in place of each key that is written in it in full.

    `instead` gives it for the key's place, name and text, placeholders beside it left out.
    """

    def changed(place: Place, name: str, text: str) -> str:
        if not is_key(place, name, text):
            return text
        return _beside_placeholders(text, lambda part: instead(place, name, part))

    return rewritten(url, changed)


def literal_key(address: str) -> str | None:
    """The name of the part of an address that surely looks like a key written in full; None if none does.

    Never gives the value.
    """
    try:
        urlsplit(address)
    except ValueError:
        return None
    for place, name, _ in literals_of(address, surely=True):
        named = place is Place.QUERY and name and len(name) <= 24
        return f"the part {name}" if named else place.value
    return None


def refusal(where: str) -> str:
    """What to tell somebody who wrote a key in full; `where` as `literal_key` gives it."""
    return (
        f"In this address {where} looks like a key. The brief is handed on, so no key is written into it. Set the key "
        "in the terminal before you start the desk (export MAP_KEY=...), and write ${MAP_KEY} in its place."
    )

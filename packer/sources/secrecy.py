"""What of a layer's address, headers and variables is secret. Here it is decided, and here texts are scrubbed.

Secret are

- the value of every environment variable that the layer names, and each header value but those that HTTP itself
  gives no secret meaning;
- in an address the user and password before @, a piece of the path that looks like a key, and every value of the
  query that is not plainly something else. Of the last, those whose name or look says so are *surely* keys.

What looks like a key is said by `looks_like_key`. A host is never secret by its looks: people have to know it.
"""

from __future__ import annotations

import base64
import binascii
import enum
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from urllib.parse import unquote

from packer.sources.address import PLACEHOLDER, variables

__all__ = [
    "MASK",
    "Place",
    "Secrets",
    "is_key",
    "is_secret_header",
    "literals_of",
    "looks_like_key",
    "named_values",
    "rewritten",
    "secrets_of",
]

MASK = "***"
_LEAST = 4  # letters of a secret: to take out what is shorter would only garble the words
_SAYS_MUCH = 8  # letters from which a word beside others counts by itself
_CUT = 12  # letters by which a longer secret is known that was cut off at one end
_LEAST_BASE64 = 7  # letters: fewer stand in many words by chance

# ------------------------------------------------------------------------------------- what looks like a key

# RFC 9562, section 4.
_UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", re.IGNORECASE)
_MOMENT = re.compile(r"(?<![0-9])(19|20)[0-9]{6}(T?[0-9]{4,6}Z?)?(?![0-9])")
_RUN = re.compile(r"[A-Za-z0-9]+")
# Where letters turn into digits or back, or a word begins with a capital: rare in names, frequent in keys.
_TURN = re.compile(
    r"(?<=[0-9])(?=[A-Za-z])|(?<=[A-Za-z])(?=[0-9])|(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])"
)
_HEX = re.compile(r"(?=[a-f]*[0-9])(?=[0-9]*[a-f])[0-9a-f]{16,}|(?=[A-F]*[0-9])(?=[0-9]*[A-F])[0-9A-F]{16,}")
_LONG_NUMBER = re.compile(r"[0-9]{16,}")
_ONE_CASE = re.compile(r"[a-z0-9]{12,}|[A-Z0-9]{12,}")


def looks_like_key(text: str) -> bool:
    """Whether a piece of an address, percent-encoded or not, looks like a key and not like a name, date or number.

    It does if it is a UUID, or if one unbroken run of letters and digits in it is hexadecimal from 16 on, a number from
    16 digits on, or anything from 32 on. Else the turns count: from letters to digits or back, and to the capital that
    begins a word. It looks like a key if they cut a run of 12 into parts of under 2.6 letters, one of 16 under 3.3 or
    one of 20 under 4, or one of 12 with letters of one case into four parts or more; or if, over all runs with two
    turns or more, there is one for every two letters of the whole (8 letters or more), three (12) or four (20). Moments
    such as 20250612T101031 do not count. Our own choice, no source; what it misses is counted in tests/test_secrecy.py.
    """
    plain = unquote(text)
    if _UUID.search(plain):
        return True
    runs = [(len(run), _turns(run), run) for run in _RUN.findall(_MOMENT.sub(" ", plain))]
    if any(_long_run(length, turns, run) for length, turns, run in runs):
        return True
    letters = sum(length for length, _, _ in runs)
    turns = sum(turns for _, turns, _ in runs if turns > 1)
    winding = any(length >= 8 and turns >= 3 for length, turns, _ in runs)
    return any(
        letters >= least and each * turns >= letters and (each < 4 or winding)
        for least, each in ((8, 2), (12, 3), (20, 4))
    )


def _turns(run: str) -> int:
    return len(_TURN.findall(run))


def _long_run(length: int, turns: int, run: str) -> bool:
    if length >= 32 or _HEX.fullmatch(run) or _LONG_NUMBER.fullmatch(run):
        return True
    if turns >= 3 and _ONE_CASE.fullmatch(run):
        return True
    part = length / (turns + 1)
    return any(length >= least and part < most for least, most in ((12, 2.6), (16, 3.3), (20, 4.0)))


# ------------------------------------------------------------------------------------- where keys stand

# Names that servers give to keys, by common practice, no source.
_SURE_NAME = (
    r"([a-z]+[-_.])*(api|access|app|auth|subscription|client|map|license|session)?"
    r"(key|token|secret|signature|sig|password|passwd|pass|pwd|credential|jwt)s?"
)
_KEY_STEP = re.compile(_SURE_NAME, re.IGNORECASE)  # in a path, before its value
_KEY_NAME = re.compile(
    rf"{_SURE_NAME}|app[-_]?(id|code)|client[-_]?id|auth|authorization|sas|code|cookie|session(id)?|hmac|policy"
    "|key-pair-id",
    re.IGNORECASE,
)
# What the standards put into a query (07-057r7, clause 8.2.1; 06-042, table 8; others by common practice).
_PLAIN_NAME = re.compile(
    r"service|request|version|layers?|styles?|format|tilematrix(set)?|[cs]rs|transparent|v|ver|rev(ision)?"
    r"|bbox|width|height|exceptions|bgcolor|elevation|dim_[a-z0-9_.-]{1,40}"
    r"|lang(uage)?|time|date|year|theme|map|tileset|type|ext|scale|size|dpi|ratio|season",
    re.IGNORECASE,
)
_PLAIN_VALUE = re.compile(r"[a-z]{1,8}|[0-9]{1,6}")
# Fields of RFC 9110 and 9111, and the Fetch standard's, that hold no secret.
_PLAIN_HEADER = re.compile(
    r"accept(-charset|-encoding|-language)?|cache-control|connection|from|origin|pragma|referer|user-agent"
    r"|x-requested-with",
    re.IGNORECASE,
)


class Place(enum.Enum):
    """Where in an address a piece of text stands."""

    USER = "the part before @"
    PATH = "a part of its path"
    QUERY = "a part of its query"


Change = Callable[[Place, str, str], str]
"""What to write for a piece: its place, its name ("" for none) and its text."""


def rewritten(url: str, change: Change) -> str:
    """The address with every piece in which a key may stand as `change` gives it; all else as it is."""
    scheme, mark, rest = url.partition("://")
    if not mark:
        scheme, rest = "", url
    rest, sharp, fragment = rest.partition("#")
    place, question, query = rest.partition("?")
    netloc, slash, path = place.partition("/")
    user, at, host = netloc.rpartition("@")
    if at:
        name, colon, password = user.partition(":")
        password = change(Place.USER, "password", password) if password else ""
        user = f"{change(Place.USER, 'user', name)}{colon}{password}"
    query = "&".join(_parameter(piece, change) for piece in query.split("&")) if question else ""
    return f"{scheme}{mark}{user}{at}{host}{slash}{_path(path, change)}{question}{query}{sharp}{fragment}"


def _path(path: str, change: Change) -> str:
    pieces, before = [], ""
    for piece in path.split("/"):
        name, equals, value = piece.partition("=")
        if equals and _KEY_STEP.fullmatch(name):
            pieces.append(f"{name}={change(Place.PATH, name, value)}")
        else:
            pieces.append(change(Place.PATH, before if _KEY_STEP.fullmatch(before) else "", piece))
        before = piece
    return "/".join(pieces)


def _parameter(piece: str, change: Change) -> str:
    name, equals, value = piece.partition("=")
    return f"{name}={change(Place.QUERY, name, value)}" if equals else change(Place.QUERY, "", piece)


def is_key(place: Place, name: str, text: str, *, surely: bool = False) -> bool:
    """Whether a piece of an address is secret, as far as it is written in full: placeholders are not.

    With `surely`, a value of the query under a name that says nothing counts only if it looks like a key.
    """
    plain = PLACEHOLDER.sub("", text)
    if not plain.strip("/.,:;_- "):
        return False
    if place is Place.USER or looks_like_key(plain):
        return place is not Place.QUERY or not _PLAIN_NAME.fullmatch(name)
    if place is Place.PATH:
        return bool(name) and plain == text and not _PLAIN_VALUE.fullmatch(text)
    if _KEY_NAME.fullmatch(name):
        return True
    return not (surely or _PLAIN_NAME.fullmatch(name) or _PLAIN_VALUE.fullmatch(unquote(plain)))


def literals_of(url: str, *, surely: bool = False) -> list[tuple[Place, str, str]]:
    """The keys that are written in full in an address: place, name ("" for none) and text."""
    found: list[tuple[Place, str, str]] = []

    def note(place: Place, name: str, text: str) -> str:
        if is_key(place, name, text, surely=surely):
            found.append((place, name, text))
        return text

    rewritten(url, note)
    return found


# ------------------------------------------------------------------------------------- scrubbing


@dataclass(frozen=True)
class Secrets:
    """Texts that must not be written down, in whatever form a server repeats them.

    Known are the text as it is, in capitals or not, percent-encoded in part or in whole and however often, with + for
    a blank, in base64 of either alphabet (RFC 4648) with whatever before it, such as `user:`, and the first or last
    dozen letters of a longer one that was cut off. Texts under four letters are no secrets.
    """

    texts: frozenset[str] = field(default=frozenset(), repr=False)

    @classmethod
    def of(cls, texts: Iterable[str]) -> Secrets:
        """The secrets among these texts: those that are long enough."""
        return cls(frozenset(text for text in texts if len(text) >= _LEAST))

    def __or__(self, other: Secrets) -> Secrets:
        return Secrets(self.texts | other.texts)

    def __bool__(self) -> bool:
        return bool(self.texts)

    @cached_property
    def _plain(self) -> frozenset[str]:
        """Every text as it reads, longest first by use, and what is left of a long one that is cut."""
        whole = {form for text in self.texts for form in (text, unquote(text)) if len(form) >= _LEAST}
        return frozenset(whole.union(*(_ends(text) for text in whole)))

    @cached_property
    def _needles(self) -> tuple[tuple[str, ...], tuple[str, ...], bool]:
        """What to look for in a text in small letters, and in it as it is; and whether a + may be a blank.

        The ends of a long text stand for it, since this is looked for in every tile's validators.
        """
        short = {end for text in self._plain for end in _ends(text)}
        coded = {form for text in short for form in _base64_forms(text)}
        return tuple({text.lower() for text in short}), tuple(coded), any(" " in text for text in self._plain)

    @cached_property
    def _pattern(self) -> re.Pattern[str]:
        known = sorted(self._plain, key=len, reverse=True)
        forms = ["(?i:" + "".join(map(_letter, text)) + ")" + _TAIL * (len(text) == _CUT) for text in known]
        coded = sorted({form for text in known for form in _base64_forms(text)}, key=len, reverse=True)
        around = "[A-Za-z0-9+_-]{0,2}"
        forms += [f"{around}{re.escape(form)}{around}={{0,2}}" for form in coded]
        return re.compile("|".join(forms))

    def found_in(self, text: str) -> bool:
        """Whether any of them stands in a text, in any of its forms."""
        if not self.texts:
            return False
        small, exact, blanks = self._needles
        for reading in _readings(text, blanks):
            lower = reading.lower()
            for needle in small:
                if needle in lower:
                    return True
            for needle in exact:
                if needle in reading:
                    return True
        return False

    def scrub(self, text: str) -> str:
        """The text with *** in place of each of them; *** alone where one stands there in a form of its own."""
        if not self.found_in(text):
            return text
        scrubbed = self._pattern.sub(MASK, text)
        return MASK if self.found_in(scrubbed) else scrubbed


_TAIL = "[A-Za-z0-9_~%+=.-]*"


def _letter(letter: str) -> str:
    """A letter as it may stand in an address: as it is, or encoded once or more."""
    encoded = "".join(f"%(?:25)*{byte:02X}" for byte in letter.encode("utf-8", "surrogatepass"))
    return f"(?:{re.escape(letter)}|{encoded}{'|[+]' if letter == ' ' else ''})"


def _ends(text: str) -> set[str]:
    """The text, or the first and last dozen letters of a longer one."""
    return {text} if len(text) < _CUT + 4 else {text[:_CUT], text[-_CUT:]}


def _readings(text: str, blanks: bool) -> Iterator[str]:
    """A text, and what it says percent-encoded up to three times over and, with `blanks`, with + for a blank."""
    for reading in (text, text.replace("+", " ")) if blanks and "+" in text else (text,):
        yield reading
        for _ in range(3):
            if "%" not in reading or (plain := unquote(reading)) == reading:
                break
            yield (reading := plain)


def _base64_forms(text: str) -> Iterator[str]:
    """What stands in the base64 of any text that holds this one, wherever in it: three ways by its place."""
    secret = text.encode("utf-8", "surrogatepass")
    for before in range(3):
        letters = base64.b64encode(bytes(before) + secret).decode("ascii")
        sure = letters[(0, 2, 3)[before] : (before + len(secret)) * 8 // 6]
        if len(sure) >= _LEAST_BASE64:
            yield sure
            yield sure.translate(str.maketrans("+/", "-_"))


def secrets_of(
    addresses: Iterable[str] = (),
    headers: Mapping[str, str] | None = None,
    values: Iterable[str] = (),
    *,
    surely: bool = False,
) -> Secrets:
    """The secrets of requests: in `addresses`, variables filled in; in `headers`; and the `values` of variables.

    `surely` as for `is_key`.
    """
    found = {value.strip() for value in values}
    for url in addresses:
        for place, _, text in literals_of(url, surely=surely):
            if place is not Place.USER:
                found |= set(filter(_says_enough, PLACEHOLDER.split(text)))
        found |= _user(url)
    for name, value in (headers or {}).items():
        found |= _header(name, value)
    return Secrets.of(found)


def _says_enough(text: str) -> bool:
    return bool(text.strip("/.,:;_- ")) and not PLACEHOLDER.fullmatch(text)


def _user(url: str) -> set[str]:
    """The part before @: as a whole, as a header has it (RFC 7617, section 2), and its password, without which the user
    is one. A short name of a user beside a password is a plain word."""
    both = re.split(r"[/?#]", url.partition("://")[2], maxsplit=1)[0].rpartition("@")[0]
    user, _, password = both.partition(":")
    found = {both, password, base64.b64encode(unquote(both).encode()).decode("ascii")} if both else set()
    return found | {user} if not password or len(user) >= _SAYS_MUCH or looks_like_key(user) else found


def is_secret_header(name: str, value: str) -> bool:
    """Whether the value of a header is secret as a whole; one that is not may have an address with a key in it."""
    if _PLAIN_HEADER.fullmatch(name) or value.startswith(("http://", "https://")):
        return False
    return bool(_KEY_NAME.fullmatch(name)) or not _PLAIN_VALUE.fullmatch(value)


def _header(name: str, value: str) -> set[str]:
    if not is_secret_header(name, value):
        return {text for url in re.findall(r"https?://\S+", value) for _, _, text in literals_of(url)}
    # "Bearer abc", "Digest a=b, c=d", "name=value; other=value": what stands in it counts by itself as well.
    found = {value, *(word for word in re.split(r"[\s;,]|(?<=\w)=", value) if len(word) >= _SAYS_MUCH)}
    scheme, _, credentials = value.partition(" ")
    if scheme.lower() == "basic":
        try:
            plain = base64.b64decode(credentials, validate=True).decode("utf-8", "replace")
            found |= {plain, plain.partition(":")[2]}
        except (binascii.Error, ValueError):
            pass
    return found


def named_values(texts: Iterable[str], environment: Mapping[str, str]) -> dict[str, str]:
    """The values of the variables that some texts name, by name; "" for one that is not set."""
    return {name: environment.get(name, "").strip() for text in texts for name in variables(text)}

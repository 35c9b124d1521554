"""Addresses of tiles: a layer's template, and the hosts that it leads to.

`${NAME}` stands for an environment variable and is filled in only where a request is made. What of an address may be
written down, `safe_address` says.
"""

from __future__ import annotations

import contextlib
import re
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import quote, unquote, urlsplit

from packer.geometry.grid import mercator_box, quadkey, tms_row
from packer.geometry.source_grid import SourceGrid
from packer.geometry.tileset import Tile

__all__ = [
    "PLACEHOLDER",
    "Address",
    "UnsetError",
    "canonical_host",
    "check_date",
    "check_place",
    "check_template",
    "fill",
    "host_with_port",
    "origin_of",
    "variables",
    "with_canonical_host",
    "without_usual_port",
]

_VARIABLE = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*)\}")
_FIELD = re.compile(r"(?<!\$)\{([^{}]*)\}")
PLACEHOLDER = re.compile(r"\$\{[^{}]*\}|\{[^{}]*\}")
"""A variable or a field of a template."""
_FIELDS = ("z", "x", "y", "-y", "quadkey", "s", "bbox", "width", "height", "date")
_REPEATABLE = re.compile(
    r"[A-Za-z_-]{1,16}"
)  # a short word of letters is not a key, and may stand in an error
_NUMBERS = re.compile(r"(0x[0-9a-f]*|[0-9]+)(\.(0x[0-9a-f]*|[0-9]+)){0,3}")
_USUAL_PORT = re.compile(r":(80|443)$")


class UnsetError(LookupError):
    """An environment variable that a layer needs is not set to a line of text; the argument is its name."""


def variables(text: str) -> list[str]:
    """The names of the environment variables that a text asks for."""
    return _VARIABLE.findall(text)


def fill(text: str, environment: Mapping[str, str]) -> str:
    """The text with each `${NAME}` filled in, spaces round the value left out.

    Raises UnsetError for the first that is not set, blank, or more than one printable line, since such a value
    could smuggle a header into a request.
    """

    def value(match: re.Match[str]) -> str:
        found = environment.get(match[1], "").strip()
        if not found or not found.isprintable():
            raise UnsetError(match[1])
        return found

    return _VARIABLE.sub(value, text)


def check_template(url: str, subdomains: tuple[str, ...], *, dated: bool = False) -> None:
    """Raise ValueError, worded for the planner and without the address, unless it can address tiles.

    `dated` allows {date}, which only a brief can fill in.
    """
    _check_letters(url)
    _check_host(url)
    fields = _FIELD.findall(url)
    for name in fields:
        if name not in _FIELDS:
            what = f"{{{name}}}" if _REPEATABLE.fullmatch(name) else "one of its {…}"
            raise ValueError(
                f"{what} is not known. A template may have {{z}}, {{x}}, {{y}}, {{-y}}, {{quadkey}}, {{bbox}}, "
                "{{date}} and {{s}}; write a key from the environment as ${NAME}"
            )
    if set("{}") & set(_FIELD.sub("", _VARIABLE.sub("", url))):
        raise ValueError("a brace { or } in it has no partner, or ${…} holds more than letters, digits and _")
    if "date" in fields and not dated:
        raise ValueError("{date} only goes with a date in the brief, below a layer's url")
    if {"width", "height"} & set(fields) and "bbox" not in fields:
        raise ValueError("{width} and {height} only go with {bbox}")
    if not {"quadkey", "bbox"} & set(fields) and not (
        {"z", "x"} <= set(fields) and {"y", "-y"} & set(fields)
    ):
        missing = [f"{{{n}}}" for n in ("z", "x") if n not in fields]
        missing += [] if {"y", "-y"} & set(fields) else ["{y}"]
        verb = "are" if missing[1:] else "is"
        raise ValueError(
            f"{' and '.join(missing)} {verb} missing, so different tiles would have the same address"
        )
    if "s" in fields and not subdomains:
        raise ValueError('{s} needs a list of names, for example subdomains = ["a", "b"]')
    if subdomains and "s" not in fields:
        raise ValueError("subdomains are given, but the address has no {s}")


def check_date(url: str, date: str | None) -> None:
    """Raise ValueError, worded for the planner, unless an address written in full has just the date that it needs."""
    if "{date}" in url and date is None:
        raise ValueError('{date} needs a date, for example date = "2026-11-28"')
    if "{date}" not in url and date is not None:
        raise ValueError("a date is given, but the address has no {date}")
    if date == "latest":
        raise ValueError(
            '"latest" has no meaning in it, since no server says which date is the latest; write the date itself'
        )


def check_place(url: str) -> None:
    """As `check_template`, for the address of one document."""
    _check_letters(url)
    _check_host(url)
    if set("{}") & set(_VARIABLE.sub("", url)):
        raise ValueError(
            "it leads to one document, so it has no {…}; write a key from the environment as ${NAME}"
        )


def _check_letters(url: str) -> None:
    if not url.isprintable() or any(c in url for c in ' \\"<>#'):
        raise ValueError('an address cannot have spaces, line breaks or any of \\ " < > #')


def _check_host(url: str) -> None:
    try:
        parts = urlsplit(url)
        whole = parts.scheme in ("http", "https") and parts.hostname
    except ValueError:  # its own words repeat the address
        raise ValueError("the host after http:// or https:// cannot be read") from None
    if not whole:
        raise ValueError(
            "it should begin with http:// or https:// and a host, for example https://tiles.example.org/"
        )
    if any(name != "s" for name in _FIELD.findall(parts.netloc)):
        raise ValueError("only {s} may be in the host, no other {…}")
    try:
        _ = parts.port
    except ValueError:
        raise ValueError("the port after the host is not a number up to 65535") from None


@dataclass(frozen=True, slots=True)
class Address:
    """A template ready for use: variables filled in, never shown.

    `matrices` has what stands for {z}, by zoom, at a server that has names for its zooms. `tile_px` is the side of a
    tile, for {width} and {height}; `date` is what stands for {date}. `grid` is the one that {bbox} is of, None for the
    web's.
    """

    template: str = field(repr=False)
    subdomains: tuple[str, ...] = ()
    matrices: Mapping[int, str] | None = None
    tile_px: int = 256
    date: str = ""
    grid: SourceGrid | None = None

    def url(self, tile: Tile, columns: int = 1, rows: int = 1, gutter_px: int = 0) -> str:
        """The address of one tile; subdomains take turns by column and row, so that a tile keeps its own.

        With {bbox} in the template also that of a block of so many tiles, eastward and southward from this one, and of
        so many pixels more on each side.
        """
        zoom, x, y = tile
        z = str(zoom) if self.matrices is None else self.matrices.get(zoom, str(zoom))
        text = self.template.replace("{z}", z).replace("{x}", str(x)).replace("{y}", str(y))
        if "{-y}" in text:
            text = text.replace("{-y}", str(tms_row(zoom, y)))
        if "{quadkey}" in text:
            text = text.replace("{quadkey}", quadkey(zoom, x, y))
        if "{bbox}" in text:
            margin = gutter_px / self.tile_px
            if self.grid is None:
                box = mercator_box(zoom, x, y, columns, rows, margin)
            else:
                box = self.grid.box(tile, columns, rows, margin)
            text = text.replace("{bbox}", box)
            text = text.replace("{width}", str(columns * self.tile_px + 2 * gutter_px))
            text = text.replace("{height}", str(rows * self.tile_px + 2 * gutter_px))
        if "{date}" in text:
            text = text.replace("{date}", quote(self.date, safe=":"))
        if self.subdomains:
            text = text.replace("{s}", self.subdomains[(x + y) % len(self.subdomains)])
        return text

    @property
    def hosts(self) -> tuple[str, ...]:
        """Every host, with its port, that the template can lead to; lower case."""
        names = self.subdomains if "{s}" in self.template else ("",)
        return tuple(host_with_port(self.template.replace("{s}", s)) for s in names)


def host_with_port(url: str) -> str:
    """The host that an address leads to, in its one spelling, with its port. Raises ValueError where it has none that
    can be read."""
    parts = urlsplit(url)
    port = parts.port or (443 if parts.scheme == "https" else 80)
    host = canonical_host(parts.hostname or "")
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def canonical_host(host: str) -> str:
    """A host in its one spelling: lower case, ASCII, without a dot at its end; an IPv4 address as four numbers.

    HTTP clients undo percent-encoding in a host, map it by UTS 46 and read numbers as an address (URL Standard,
    section 3.5, from memory), so that other spellings lead to the same server.
    """
    host = unquote(host).lower().rstrip(".")
    if not host.isascii():
        import idna  # its tables take a while to load, and are seldom needed

        # Python's own codec leads some letters to another server (RFC 5895, UTS 46).
        with contextlib.suppress(idna.IDNAError):
            host = idna.encode(host, uts46=True).decode("ascii").rstrip(".")
    if _NUMBERS.fullmatch(host):
        with contextlib.suppress(OSError):
            host = socket.inet_ntoa(socket.inet_aton(host))
    return host


def with_canonical_host(url: str) -> str:
    """The address with its host in its one spelling, so that one server is one origin; as it is where {s} stands in
    the host."""
    parts = urlsplit(url)
    if not parts.hostname or "{" in parts.netloc:
        return url
    user, at, place = parts.netloc.rpartition("@")
    host = canonical_host(parts.hostname)
    host = f"[{host}]" if ":" in host else host
    port = "" if parts.port is None else f":{parts.port}"
    if place == host + port:
        return url
    return url.replace(parts.netloc, f"{user}{at}{host}{port}", 1)


def origin_of(url: str) -> tuple[str, str]:
    """Scheme and host with its port, in one spelling: what a browser calls the origin (RFC 6454). Raises ValueError."""
    return urlsplit(url).scheme.lower(), host_with_port(url)


def without_usual_port(host: str) -> str:
    """A host, as `Address.hosts` has it, without the port of http or https."""
    return _USUAL_PORT.sub("", host)

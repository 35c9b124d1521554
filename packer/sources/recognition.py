"""Addresses as people paste them: one with a real tile in it becomes a template, and a template its likely slips.

Which numbers of an address are zoom, column and row is a guess by their sizes: a column and a row of zoom z lie below
2**z. Whether a guess is right is for requests to tell; nothing here sends any.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from urllib.parse import parse_qsl, urlsplit, urlunsplit

from packer.geometry.grid import MAX_ZOOM
from packer.geometry.tileset import Tile

__all__ = ["Guess", "ServiceGuess", "Variant", "guesses", "is_service", "services", "variants"]

_NUMBER = re.compile(r"(?<![\w.{])(\d{1,8})(?![\w}])")
_FIELD = {"z": "{z}", "x": "{x}", "y": "{y}"}
# Names that a query gives to the three, by common practice of tile servers and OGC 07-057r7 (WMTS, KVP).
_NAMED = {
    "z": ("z", "zoom", "level", "tilematrix"),
    "x": ("x", "col", "column", "tilecol"),
    "y": ("y", "row", "tilerow"),
}
_ORDERS = ("{z}/{x}/{y}", "{z}/{y}/{x}", "{x}/{y}/{z}", "{y}/{x}/{z}")
_ENDINGS = ("png", "jpg", "jpeg", "webp")


@dataclass(frozen=True, slots=True)
class Guess:
    """A template, and the tile that the pasted address would be under it, rows counted from the top."""

    template: str
    tile: Tile


@dataclass(frozen=True, slots=True)
class Variant:
    """A template that differs in one likely slip, said in `what`, such as "rows counted from the bottom"."""

    template: str
    what: str


def guesses(address: str) -> list[Guess]:
    """The templates that an address with a real tile in it may come from, likeliest first; none if it has no tile.

    Named parts of a query are taken by their names; else any three numbers that follow one another, in the order
    z/x/y first and z/y/x second. Rows may still count from the bottom: see `variants`.
    """
    named = _by_name(address)
    if named is not None:
        return [named]
    found: list[Guess] = []
    numbers = [m for m in _NUMBER.finditer(address) if m.start() >= _path_start(address)]
    # The last three numbers of an address are the likeliest: versions and dates stand before them.
    for i in range(len(numbers) - 3, -1, -1):
        first, second, third = numbers[i : i + 3]
        zoom, a, b = (int(m[1]) for m in (first, second, third))
        if zoom <= MAX_ZOOM and max(a, b) < 1 << zoom:
            found.append(Guess(_replaced(address, first, "z", second, "x", third, "y"), Tile(zoom, a, b)))
            found.append(Guess(_replaced(address, first, "z", second, "y", third, "x"), Tile(zoom, b, a)))
    return found


def _path_start(address: str) -> int:
    """Where the path begins: numbers in a host or a port are no tile."""
    try:
        parts = urlsplit(address)
    except ValueError:
        return len(address)
    return len(f"{parts.scheme}://{parts.netloc}") if parts.netloc else 0


def _by_name(address: str) -> Guess | None:
    """The template of a query that names all three."""
    places: dict[str, re.Match[str]] = {}
    for field, names in _NAMED.items():
        for match in re.finditer(rf"[?&](?:{'|'.join(names)})=(\d{{1,8}})(?=&|$)", address, re.IGNORECASE):
            if field in places:
                return None
            places[field] = match
    if len(places) < 3:
        return None
    zoom, x, y = (int(places[f][1]) for f in "zxy")
    if zoom > MAX_ZOOM or max(x, y) >= 1 << zoom:
        return None
    text = address
    for field, match in sorted(places.items(), key=lambda item: -item[1].start(1)):
        text = text[: match.start(1)] + _FIELD[field] + text[match.end(1) :]
    return Guess(text, Tile(zoom, x, y))


def _replaced(address: str, *pairs: re.Match[str] | str) -> str:
    text = address
    for match, field in reversed(list(zip(pairs[::2], pairs[1::2], strict=True))):
        assert isinstance(match, re.Match)
        text = text[: match.start(1)] + _FIELD[str(field)] + text[match.end(1) :]
    return text


def variants(template: str) -> Iterator[Variant]:
    """The template with one likely slip mended, each once: the order of axes, the count of rows, the ending."""
    if "{x}" in template and "{y}" in template:
        swapped = template.replace("{x}", "{?}").replace("{y}", "{x}").replace("{?}", "{y}")
        yield Variant(swapped, "column and row exchanged")
        yield Variant(template.replace("{y}", "{-y}"), "rows counted from the bottom")
        yield Variant(
            swapped.replace("{y}", "{-y}"), "column and row exchanged, rows counted from the bottom"
        )
        there = next((order for order in _ORDERS if order in template), None)
        for order in _ORDERS if there else ():
            if there is not None and (moved := template.replace(there, order)) not in (template, swapped):
                yield Variant(moved, f"the order {order}")
    elif "{-y}" in template:
        yield Variant(template.replace("{-y}", "{y}"), "rows counted from the top")
    match = re.search(rf"\.({'|'.join(_ENDINGS)})(?=$|[?#])", template, re.IGNORECASE)
    for ending in _ENDINGS if match else ():
        if match is not None and ending != match[1].lower():
            yield Variant(
                template[: match.start(1)] + ending + template[match.end(1) :], f"the ending .{ending}"
            )


# ------------------------------------------------------------------------------------ services


@dataclass(frozen=True, slots=True)
class ServiceGuess:
    """What an address may be that describes layers: the brief's key for it, its value, and what else the address says
    of the layer, by the brief's keys."""

    key: str
    address: str
    values: tuple[tuple[str, str | list[str]], ...] = ()


# What a GetMap or GetCapabilities says of one picture or one answer, and not of the service (06-042, tables 3 and 8).
_OF_ONE_MAP = frozenset(
    (
        *(
            "service",
            "request",
            "version",
            "layers",
            "styles",
            "crs",
            "srs",
            "bbox",
            "width",
            "height",
            "format",
        ),
        *("transparent", "bgcolor", "exceptions", "updatesequence"),
    )
)


def services(address: str) -> list[ServiceGuess]:
    """The services that an address without a tile in it may be of, likeliest first; there is at least one."""
    asked = _parameters(address)
    service, request = asked.get("service", "").lower(), asked.get("request", "").lower()
    path = urlsplit(address).path.lower()
    if service == "wms" or request == "getmap":
        return [_wms(address, asked)]
    if service == "wmts" or "wmts" in address.lower():
        return [ServiceGuess("wmts", address)]
    keys = ("tilejson", "ogc-tiles") if path.endswith(".json") else ("ogc-tiles", "tilejson")
    described = [ServiceGuess(key, address) for key in keys]
    likely = re.search(r"wms|ows\b|mapserv", path)
    return [_wms(address, asked), *described] if likely else described


def is_service(address: str) -> bool:
    """Whether an address is surely one of a service, whatever numbers stand in it."""
    asked = _parameters(address)
    return asked.get("service", "").lower() == "wms" or asked.get("request", "").lower() == "getmap"


def _parameters(address: str) -> dict[str, str]:
    try:
        return {name.lower(): value for name, value in parse_qsl(urlsplit(address).query)}
    except ValueError:
        return {}


def _wms(address: str, asked: dict[str, str]) -> ServiceGuess:
    parts = urlsplit(address)
    kept = [one for one in parts.query.split("&") if one and one.partition("=")[0].lower() not in _OF_ONE_MAP]
    values: list[tuple[str, str | list[str]]] = []
    if layers := [name for name in asked.get("layers", "").split(",") if name]:
        values.append(("wms-layers", layers))
        if len(styles := [name for name in asked.get("styles", "").split(",") if name]) == len(layers):
            values.append(("wms-style", styles))
    return ServiceGuess("wms", urlunsplit(parts._replace(query="&".join(kept))), tuple(values))

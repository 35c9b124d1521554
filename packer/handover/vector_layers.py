"""The `vector_layers` of a set of vector tiles, found in the tiles themselves.

MBTiles 1.3 ("Vector tileset metadata") and TileJSON 3.0.0 (3.3) ask for each layer's name and the names and
types of its fields. The tiles are read as the Vector Tile Specification 2.1, section 4, lays them out; they
have been checked by the caller.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from packer.payload import unwrap

__all__ = ["VectorLayers"]

_LIMIT_BYTES = 32 * 1024 * 1024
# Value.string_value is field 1, bool_value 7, all numbers between; the words are those of MBTiles 1.3.
_TYPES = {1: "String", 2: "Number", 3: "Number", 4: "Number", 5: "Number", 6: "Number", 7: "Boolean"}


@dataclass(slots=True)
class _Seen:
    low: int
    high: int
    fields: dict[str, str] = field(default_factory=dict)


class VectorLayers:
    """Takes in tiles and says what layers they have."""

    def __init__(self) -> None:
        self._layers: dict[str, _Seen] = {}

    def add(self, zoom: int, body: bytes) -> None:
        """Take in a tile, gzipped or bare. Raises Damaged or IndexError if it is none."""
        data = unwrap(body, "gzip", _LIMIT_BYTES) if body.startswith(b"\x1f\x8b") else body
        for number, value in _fields(data):
            if number == 3 and isinstance(value, bytes):
                self._add_layer(zoom, value)

    def _add_layer(self, zoom: int, data: bytes) -> None:
        name, keys, values, features = "", list[str](), list[str](), list[bytes]()
        for number, value in _fields(data):
            if not isinstance(value, bytes):
                continue
            if number == 1:
                name = value.decode()
            elif number == 2:
                features.append(value)
            elif number == 3:
                keys.append(value.decode())
            elif number == 4:
                values.append(next((_TYPES[n] for n, _ in _fields(value) if n in _TYPES), "String"))
        seen = self._layers.setdefault(name, _Seen(zoom, zoom))
        seen.low, seen.high = min(seen.low, zoom), max(seen.high, zoom)
        for key, value in {pair for feature in features for pair in _tags(feature)}:
            known = seen.fields.setdefault(keys[key], values[value])
            if known != values[value]:
                seen.fields[keys[key]] = "String"  # what MBTiles 1.3 asks for where types are mixed

    def found(self) -> list[dict[str, Any]]:
        """The layers by name, as the standards write them."""
        return [
            {"id": name, "fields": dict(sorted(la.fields.items())), "minzoom": la.low, "maxzoom": la.high}
            for name, la in sorted(self._layers.items())
        ]


def _fields(data: bytes) -> Iterator[tuple[int, int | bytes]]:
    """Field numbers with their values: bytes where a length stands before them, numbers otherwise."""
    at = 0
    while at < len(data):
        key, at = _varint(data, at)
        wire = key & 7
        if wire == 0:
            value, at = _varint(data, at)
            yield key >> 3, value
            continue
        length = {1: 8, 5: 4}.get(wire, 0)
        if wire == 2:
            length, at = _varint(data, at)
        yield key >> 3, data[at : at + length]
        at += length


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while data[at] >= 0x80:
        value |= (data[at] & 0x7F) << shift
        at, shift = at + 1, shift + 7
    return value | data[at] << shift, at + 1


def _tags(feature: bytes) -> Iterator[tuple[int, int]]:
    """Pairs of key and value numbers; a feature may have them in several pieces."""
    numbers = []
    for number, value in _fields(feature):
        if number == 2 and isinstance(value, bytes):
            at = 0
            while at < len(value):
                one, at = _varint(value, at)
                numbers.append(one)
    return zip(numbers[::2], numbers[1::2], strict=True)

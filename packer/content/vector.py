"""Protobuf fields of a vector tile, and whether they make up a tile.

By the Vector Tile Specification 2.1; section numbers below the first level are from memory.
"""

from __future__ import annotations

import collections
import itertools
from collections.abc import Iterator

from packer.content.damage import Damaged

__all__ = ["Field", "fields", "layers_of", "numbers", "varint", "walk_layer"]

# One protobuf field: number, wire type, the value of a varint (else 0), start and stop of its content.
Field = tuple[int, int, int, int, int]


# A tile of 4096 steps a side with a point on every tenth has 170,000 points. Without a limit a few hostile
# kilobytes of gzip would become gigabytes of lists.
_MOST_FIELDS = 500_000
_MOST_NUMBERS = 8_000_000


def varint(data: bytes, at: int, stop: int) -> tuple[int, int]:
    """The base-128 number at `at`, and the place after it. Raises Damaged if it does not end before `stop`."""
    value = 0
    for shift in range(0, 70, 7):
        if at >= stop:
            raise Damaged("the vector tile is cut short")
        byte = data[at]
        at += 1
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            return value, at
    raise Damaged("the vector tile holds an endless number")


def fields(data: bytes, at: int, stop: int) -> Iterator[Field]:
    """The protobuf fields between two places, of wire types 0, 1, 2 and 5. Raises Damaged for anything else.

    Wire types 3 and 4 (groups) are deprecated in protobuf, and no vector tile has them.
    """
    while at < stop:
        key = data[at]
        at += 1
        if key >= 0x80:
            key, at = varint(data, at - 1, stop)
        wire, value, start = key & 7, 0, at
        if wire == 2:
            length = data[at] if at < stop else 0x80
            start = at + 1
            if length >= 0x80:  # most lengths take one byte, and this loop is the cost of a vector tile
                length, start = varint(data, at, stop)
            at = start + length
        elif wire == 0:
            value, at = varint(data, at, stop)
        elif wire in (1, 5):
            at += 8 if wire == 1 else 4
        else:
            raise Damaged("the vector tile holds an unknown wire type")
        if at > stop or key < 8:
            raise Damaged("the vector tile is cut short" if at > stop else "the vector tile is damaged")
        yield key >> 3, wire, value, start, at


def _some_fields(data: bytes, at: int, stop: int) -> list[Field]:
    """As `fields`, as a list. Raises Damaged also for more of them than any tile has."""
    found = list(itertools.islice(fields(data, at, stop), _MOST_FIELDS + 1))
    if len(found) > _MOST_FIELDS:
        raise Damaged("the vector tile has more parts than any tile needs")
    return found


def layers_of(data: bytes) -> list[list[Field]]:
    """The fields of each layer of a tile. Raises Damaged for bytes that are not laid out as a tile.

    Section 4.1 and vector_tile.proto: layers are field 3, extensions 16 and up; a layer has a name (1) and a
    version (15).
    """
    layers: list[list[Field]] = []
    names: list[bytes] = []
    many = 0
    for number, wire, _, start, stop in fields(data, 0, len(data)):
        if number == 3 and wire == 2:
            layer = _some_fields(data, start, stop)
            many += len(layer)
            if many > _MOST_FIELDS:
                raise Damaged("the vector tile has more parts than any tile needs")
            seen = {field[:2] for field in layer}
            if (1, 2) not in seen or (15, 0) not in seen:
                raise Damaged("a layer of the vector tile lacks its name or version")
            names += [data[field[3] : field[4]] for field in layer if field[0] == 1]
            layers.append(layer)
        elif number < 16:
            raise Damaged("the vector tile holds a field that no vector tile has")
    # Section 4.1. Readers take one of two such layers: of two tiles in one body, perhaps that of the other place.
    if len(set(names)) != len(names):
        raise Damaged("two layers of the vector tile have the same name")
    return layers


def walk_layer(data: bytes, layer: list[Field]) -> None:
    """Read a layer to its last number.

    Raises Damaged for a name that is not UTF-8, for tags that point outside the layer's keys and values
    (section 4.4) and for broken geometry (4.3).
    """
    keys = sum(field[0] == 3 for field in layer)
    values = sum(field[0] == 4 for field in layer)
    for number, _, _, start, stop in layer:
        if number in (1, 3):
            try:
                data[start:stop].decode("utf-8")
            except UnicodeDecodeError as error:
                raise Damaged("a name in the vector tile is no text") from error
        elif number == 4:
            collections.deque(fields(data, start, stop), maxlen=0)
        elif number == 2:
            _walk_feature(data, start, stop, keys, values)


def _walk_feature(data: bytes, at: int, end: int, keys: int, values: int) -> None:
    shape = 0
    runs: dict[int, list[int]] = {2: [], 4: []}
    for number, wire, value, start, stop in fields(data, at, end):
        if number == 3 and wire == 0:
            shape = value
        elif number in runs and wire == 2:
            runs[number] += numbers(data, start, stop)
    tags, geometry = runs[2], runs[4]
    if len(tags) % 2 or any(k >= keys for k in tags[::2]) or any(v >= values for v in tags[1::2]):
        raise Damaged("a feature of the vector tile has tags that point nowhere")
    if shape:  # the geometry of an UNKNOWN shape may be anything (section 4.3.4)
        _walk_geometry(geometry)


def numbers(data: bytes, at: int, stop: int) -> list[int]:
    """The packed varints between two places. Raises Damaged."""
    if stop - at > _MOST_NUMBERS:
        raise Damaged("a feature of the vector tile has more numbers than any tile needs")
    found = []
    while at < stop:
        value, at = varint(data, at, stop)
        found.append(value)
    return found


def _walk_geometry(geometry: list[int]) -> None:
    # Section 4.3.1: a command integer is id | count << 3; MoveTo (1) and LineTo (2) take two numbers each
    # time, ClosePath (7) none.
    at = 0
    while at < len(geometry):
        command, count = geometry[at] & 7, geometry[at] >> 3
        if command not in (1, 2, 7):
            raise Damaged("a feature of the vector tile has an unknown geometry command")
        at += 1 + (0 if command == 7 else 2 * count)
    if at != len(geometry):
        raise Damaged("a feature of the vector tile has a geometry that is cut short")

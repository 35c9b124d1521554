"""The `vector_layers` of a set of vector tiles, found in the tiles themselves.

MBTiles 1.3 ("Vector tileset metadata") and TileJSON 3.0.0 (3.3) ask for each layer's name and the names and
types of its fields. The caller has checked the tiles.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from packer.content.codings import unwrap
from packer.content.damage import Damaged
from packer.content.vector import Field, fields, layers_of, numbers

__all__ = ["VectorLayers"]

_LIMIT_BYTES = 32 * 1024 * 1024
# Value.string_value is field 1, bool_value 7, all numbers between; the words are those of MBTiles 1.3.
_TYPES = {1: "String", 2: "Number", 3: "Number", 4: "Number", 5: "Number", 6: "Number", 7: "Boolean"}


@dataclass(slots=True)
class _LayerRange:
    low: int
    high: int
    fields: dict[str, str] = field(default_factory=dict)


class VectorLayers:
    """Collects the layers of the tiles that are added.

    `known` is what `found` gave for earlier tiles, or a pack's `json` row; malformed parts of it are ignored.
    `briskly` skips a tile's layer if its name, zoom and fields are known: ten times as fast, but a field of
    mixed types keeps the type that was found first.
    """

    def __init__(self, known: object = None, *, briskly: bool = False) -> None:
        self._layers = dict(_seen(known))
        self._briskly = briskly

    def add(self, zoom: int, body: bytes) -> None:
        """Add a tile, gzipped or bare. Raises Damaged if it is not a vector tile."""
        data = unwrap(body, "gzip", _LIMIT_BYTES) if body.startswith(b"\x1f\x8b") else body
        for layer in layers_of(data):
            if not (self._briskly and self._is_known(zoom, data, layer)):
                self._add_layer(zoom, data, layer)

    def _is_known(self, zoom: int, data: bytes, layer: list[Field]) -> bool:
        names = {data[start:stop] for number, _, _, start, stop in layer if number == 1}
        seen = self._layers.get(names.pop().decode(errors="replace")) if len(names) == 1 else None
        if seen is None or not seen.low <= zoom <= seen.high:
            return False
        keys = (
            data[start:stop].decode(errors="replace") for number, _, _, start, stop in layer if number == 3
        )
        return all(key in seen.fields for key in keys)

    def _add_layer(self, zoom: int, data: bytes, layer: list[Field]) -> None:
        name, keys, values, features = "", list[str](), list[str](), list[Field]()
        for one in layer:
            number, _, _, start, stop = one
            if number == 1:
                name = data[start:stop].decode(errors="replace")
            elif number == 2:
                features.append(one)
            elif number == 3:
                keys.append(data[start:stop].decode(errors="replace"))
            elif number == 4:
                values.append(
                    next((_TYPES[f[0]] for f in fields(data, start, stop) if f[0] in _TYPES), "String")
                )
        seen = self._layers.setdefault(name, _LayerRange(zoom, zoom))
        seen.low, seen.high = min(seen.low, zoom), max(seen.high, zoom)
        for key, value in {pair for feature in features for pair in _tags(data, feature)}:
            if key >= len(keys) or value >= len(values):
                raise Damaged("a feature of the vector tile has tags that point nowhere")
            known = seen.fields.setdefault(keys[key], values[value])
            if known != values[value]:
                seen.fields[keys[key]] = "String"  # what MBTiles 1.3 asks for where types are mixed

    def found(self) -> list[dict[str, Any]]:
        """The layers by name, as both standards write them."""
        return [
            {"id": name, "fields": dict(sorted(la.fields.items())), "minzoom": la.low, "maxzoom": la.high}
            for name, la in sorted(self._layers.items())
        ]


def _seen(known: object) -> Iterator[tuple[str, _LayerRange]]:
    for one in known if isinstance(known, list) else ():
        match one:
            case {"id": str(name), "fields": dict(types), "minzoom": int(low), "maxzoom": int(high)}:
                yield name, _LayerRange(low, high, {k: v for k, v in types.items() if isinstance(v, str)})


def _tags(data: bytes, feature: Field) -> Iterator[tuple[int, int]]:
    """Pairs of key and value numbers; packed numbers of a feature may come in several fields."""
    found: list[int] = []
    for number, wire, _, start, stop in fields(data, *feature[3:]):
        if number == 2 and wire == 2:
            found += numbers(data, start, stop)
    if len(found) % 2:
        raise Damaged("a feature of the vector tile has tags that point nowhere")
    return zip(found[::2], found[1::2], strict=True)

"""The capabilities of a WMS 1.1 or 1.3 (OGC 01-068r3, 06-042), as they are written: layers in any coordinate system.

What a layer inherits from those around it (06-042, clause 7.2.4.8; 01-068r3, clause 7.1.4.6) is put together here. What
is read depends on what is asked for, so that a fault in one layer spoils no other. Numbers of clauses are cited from
memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from packer.sources.crs import north_comes_first
from packer.sources.dimensions import Dimension, split_values
from packer.sources.matrices import PIXEL_M
from packer.sources.offer import OfferError, prose, quoted
from packer.sources.xml_tree import child, children, number, read_tree, text_at, texts_at

__all__ = ["WmsCapabilities", "WmsLayer"]

_ROOTS = ("WMS_Capabilities", "WMT_MS_Capabilities")
_VERSIONS = ("1.1.0", "1.1.1", "1.3.0")
_LONGEST_ADDRESS = 2000
Corners = tuple[float, float, float, float]
"""Least x, least y, greatest x, greatest y: eastward before northward, whatever the order of the axes is."""


@dataclass(frozen=True, slots=True)
class WmsLayer:
    """One layer that can be asked for, with all that it inherits.

    `bounds` are west, south, east and north in degrees as written; `boxes` are by coordinate system. It is drawn at
    scale denominators from the first of `scales` to below the second, of pixels of 0.28 mm. `fixed_px` are the only
    width and height that the service gives, 0 where it is free. `whole_only` holds where it gives no part of the
    ground.
    """

    name: str
    title: str | None
    crs: tuple[str, ...]
    bounds: Corners | None
    boxes: Mapping[str, Corners]
    scales: tuple[float, float]
    styles: tuple[str, ...]
    attribution: str | None
    dimensions: Mapping[str, Dimension]
    fixed_px: tuple[int, int]
    whole_only: bool


class WmsCapabilities:
    """A capabilities document. Raises OfferError, worded for the planner, where it is none or a part cannot be read."""

    def __init__(self, body: bytes) -> None:
        root = read_tree(body, *_ROOTS, document_type=True)
        self.version = root.get("version", "")
        if self.version not in _VERSIONS:
            raise OfferError(f"its version is {quoted(self.version)}; 1.1.0, 1.1.1 and 1.3.0 can be read")
        if (capability := child(root, "Capability")) is None:
            raise OfferError("it has no Capability, so it names no layer")
        self._service, self._capability = child(root, "Service"), capability
        self._chains: dict[str, tuple[Element, ...]] = {}
        for one in children(capability, "Layer"):
            self._note(one, ())

    def _note(self, element: Element, around: tuple[Element, ...]) -> None:
        chain = (*around, element)
        if (name := text_at(element, "Name")) is not None:
            self._chains.setdefault(name, chain)
        for one in children(element, "Layer"):
            self._note(one, chain)

    @property
    def layers(self) -> tuple[str, ...]:
        """The names of all layers that can be asked for."""
        return tuple(self._chains)

    @property
    def map_address(self) -> str | None:
        """Where GetMap is asked for by GET; None where that is not said."""
        for place in children(
            self._capability, "Request", "GetMap", "DCPType", "HTTP", "Get", "OnlineResource"
        ):
            address = place.get("href", "").strip()
            if address and len(address) <= _LONGEST_ADDRESS:
                return address
        return None

    @property
    def formats(self) -> tuple[str, ...]:
        """The media types of GetMap."""
        return texts_at(self._capability, "Request", "GetMap", "Format")

    @property
    def largest_px(self) -> tuple[int, int] | None:
        """The greatest width and height of a picture; None where the service sets none (06-042, clause 7.2.4.3)."""
        found = [self._limit("MaxWidth"), self._limit("MaxHeight")]
        if found == [None, None]:
            return None
        width, height = (1 << 31 if one is None else one for one in found)
        return width, height

    @property
    def most_layers(self) -> int | None:
        """The most layers that one request may name; None where the service sets no limit."""
        return self._limit("LayerLimit")

    def _limit(self, name: str) -> int | None:
        text = None if self._service is None else text_at(self._service, name)
        value = 0 if text is None else int(number(text))
        return value if value > 0 else None

    def layer(self, name: str) -> WmsLayer:
        """One of the layers."""
        chain = self._chains[name]
        crs = [text for one in chain for tag in ("CRS", "SRS") for text in texts_at(one, tag)]
        boxes: dict[str, Corners] = {}
        for one in chain:
            boxes |= self._boxes(one)
        return WmsLayer(
            name,
            text_at(chain[-1], "Title"),
            tuple(dict.fromkeys(part for text in crs for part in text.split())),
            next((found for one in reversed(chain) if (found := _bounds(one)) is not None), None),
            boxes,
            _scales(chain),
            tuple(dict.fromkeys(text for one in chain for text in texts_at(one, "Style", "Name"))),
            next((credit for one in reversed(chain) if (credit := _attribution(one)) is not None), None),
            _dimensions(chain),
            (int(_inherited(chain, "fixedWidth")), int(_inherited(chain, "fixedHeight"))),
            bool(_inherited(chain, "noSubsets")),
        )

    def _boxes(self, element: Element) -> Iterator[tuple[str, Corners]]:
        for one in children(element, "BoundingBox"):
            crs = one.get("CRS") or one.get("SRS") or ""
            a, b, c, d = (number(one.get(key)) for key in ("minx", "miny", "maxx", "maxy"))
            # In 1.3.0 the numbers follow the axes of the coordinate system (06-042, clause 6.7.2).
            north_first = self.version == "1.3.0" and north_comes_first(crs)
            yield crs, (b, a, d, c) if north_first else (a, b, c, d)


def _inherited(chain: tuple[Element, ...], key: str) -> float:
    """A whole number or a yes of an attribute, from the nearest that has it; 0 where none has."""
    text = next((one.get(key) for one in reversed(chain) if one.get(key)), None) or "0"
    return {"true": 1.0, "false": 0.0}[text] if text in ("true", "false") else number(text)


def _bounds(element: Element) -> Corners | None:
    if (box := child(element, "EX_GeographicBoundingBox")) is not None:
        keys = ("westBoundLongitude", "southBoundLatitude", "eastBoundLongitude", "northBoundLatitude")
        west, south, east, north = (number(text_at(box, key)) for key in keys)
        return west, south, east, north
    if (box := child(element, "LatLonBoundingBox")) is not None:
        west, south, east, north = (number(box.get(key)) for key in ("minx", "miny", "maxx", "maxy"))
        return west, south, east, north
    return None


def _scales(chain: tuple[Element, ...]) -> tuple[float, float]:
    """Scale denominators of the nearest that states any: of 1.3.0 as they are (06-042, clause 7.2.4.6.9), of 1.1 by the
    diagonal of a pixel in metres (01-068r3, clause 7.1.4.5.16)."""
    for one in reversed(chain):
        least, most = text_at(one, "MinScaleDenominator"), text_at(one, "MaxScaleDenominator")
        if least is not None or most is not None:
            return number(least or "0"), number(_no_end(most)) or math.inf
        if (hint := child(one, "ScaleHint")) is not None:
            per_metre = 1 / math.sqrt(2) / PIXEL_M
            most_m = number(_no_end(hint.get("max")))
            return number(hint.get("min") or "0") * per_metre, most_m * per_metre or math.inf
    return 0.0, math.inf


def _no_end(text: str | None) -> str:
    """What services write where there is no greatest value becomes 0, by common practice."""
    return "0" if text is None or text.strip().lower() in ("", "inf", "infinity", "+inf") else text


def _attribution(element: Element) -> str | None:
    text = text_at(element, "Attribution", "Title")
    return None if text is None else prose(text)


def _dimensions(chain: tuple[Element, ...]) -> dict[str, Dimension]:
    """In 1.1 the values stand in an Extent of the same name (01-068r3, clause 7.1.4.5.9), in 1.3 in the dimension."""
    found: dict[str, Dimension] = {}
    for element in chain:
        for one in (*children(element, "Dimension"), *children(element, "Extent")):
            name, values = one.get("name", ""), split_values(one.text)
            if name and (values or one.get("default") or name not in found):
                found[name] = Dimension(name, values, one.get("default") or None)
    return found

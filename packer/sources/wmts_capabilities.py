"""The capabilities of a WMTS 1.0.0 (OGC 07-057r7), as they are written: layers and matrix sets of any grid.

What is read depends on what is asked for, so that a fault in one layer spoils no other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element

from packer.sources.dimensions import Dimension
from packer.sources.matrices import TileMatrix, TileMatrixSet
from packer.sources.offer import OfferError
from packer.sources.xml_tree import child, children, number, read_tree, text_at, texts_at, whole_number

__all__ = ["MatrixLimits", "WmtsCapabilities", "WmtsLayer"]

_LONGEST_ADDRESS = 2000


@dataclass(frozen=True, slots=True)
class MatrixLimits:
    """The tiles of one matrix that are on offer: first and last column, first and last row."""

    first: int
    last: int
    top: int
    bottom: int


@dataclass(frozen=True, slots=True)
class WmtsLayer:
    """One layer. `bounds` are west, south, east and north in degrees as written; `resources` are media types with
    RESTful templates of tiles; `matrix_sets` are the identifiers of the sets that it links to."""

    identifier: str
    title: str | None
    styles: tuple[str, ...]
    default_style: str
    formats: tuple[str, ...]
    resources: tuple[tuple[str, str], ...] = field(repr=False)
    dimensions: Mapping[str, Dimension]
    matrix_sets: tuple[str, ...]
    bounds: tuple[float, float, float, float] | None


class WmtsCapabilities:
    """A capabilities document. Raises OfferError, worded for the planner, where it is none or a part cannot be read."""

    def __init__(self, body: bytes) -> None:
        self._root = read_tree(body, "Capabilities")
        contents = child(self._root, "Contents")
        if contents is None:
            raise OfferError("it has no Contents, so it names no layer")
        self._layers = {text_at(one, "Identifier") or "": one for one in children(contents, "Layer")}
        self._sets = {text_at(one, "Identifier") or "": one for one in children(contents, "TileMatrixSet")}

    @property
    def layers(self) -> tuple[str, ...]:
        """The identifiers of all layers."""
        return tuple(self._layers)

    @property
    def matrix_sets(self) -> tuple[str, ...]:
        """The identifiers of all matrix sets that are defined."""
        return tuple(self._sets)

    def layer(self, identifier: str) -> WmtsLayer:
        """One of the layers."""
        layer = self._layers[identifier]
        flags = {text_at(one, "Identifier") or "": one.get("isDefault") for one in children(layer, "Style")}
        default = [name for name, flag in flags.items() if flag in ("true", "1")]
        return WmtsLayer(
            identifier,
            text_at(layer, "Title"),
            tuple(flags),
            next(iter(default or flags), "default"),
            texts_at(layer, "Format"),
            tuple(
                (one.get("format", ""), one.get("template", ""))
                for one in children(layer, "ResourceURL")
                if one.get("resourceType") == "tile"
            ),
            _dimensions(layer),
            tuple(text_at(one, "TileMatrixSet") or "" for one in children(layer, "TileMatrixSetLink")),
            _bounds(layer),
        )

    def crs(self, matrix_set: str) -> str:
        """The coordinate system of a set, as it is named there."""
        return text_at(self._sets[matrix_set], "SupportedCRS") or ""

    def matrix_set(self, identifier: str) -> TileMatrixSet:
        """One of the sets that are defined, with all of its matrices."""
        element = self._sets[identifier]
        matrices = tuple(_matrix(one) for one in children(element, "TileMatrix"))
        return TileMatrixSet(identifier, self.crs(identifier), matrices)

    def limits(self, layer: str, matrix_set: str) -> dict[str, MatrixLimits]:
        """What of a set the layer has, by the identifier of the matrix; empty where it says nothing of limits."""
        links = {
            text_at(one, "TileMatrixSet"): one for one in children(self._layers[layer], "TileMatrixSetLink")
        }
        return {
            text_at(one, "TileMatrix") or "": MatrixLimits(
                *(
                    whole_number(one, name)
                    for name in ("MinTileCol", "MaxTileCol", "MinTileRow", "MaxTileRow")
                )
            )
            for one in children(links[matrix_set], "TileMatrixSetLimits", "TileMatrixLimits")
        }

    @property
    def kvp_address(self) -> str | None:
        """Where GetTile is asked for by KVP (clause 8.2); None if it is not."""
        for operation in children(self._root, "OperationsMetadata", "Operation"):
            if operation.get("name") != "GetTile":
                continue
            for get in children(operation, "DCP", "HTTP", "Get"):
                encodings = {text.upper() for text in texts_at(get, "Constraint", "AllowedValues", "Value")}
                place = get.get("href", "")
                if place and len(place) <= _LONGEST_ADDRESS and (not encodings or "KVP" in encodings):
                    return place
        return None


def _dimensions(layer: Element) -> dict[str, Dimension]:
    found = {}
    for one in children(layer, "Dimension"):
        name = text_at(one, "Identifier") or ""
        found[name] = Dimension(name, texts_at(one, "Value"), text_at(one, "Default"))
    return found


def _matrix(element: Element) -> TileMatrix:
    side = whole_number(element, "TileWidth"), whole_number(element, "TileHeight")
    return TileMatrix(
        text_at(element, "Identifier") or "",
        number(text_at(element, "ScaleDenominator")),
        tuple(number(part) for part in (text_at(element, "TopLeftCorner") or "").split()[:3]),
        side,
        whole_number(element, "MatrixWidth"),
        whole_number(element, "MatrixHeight"),
    )


def _bounds(layer: Element) -> tuple[float, float, float, float] | None:
    box = child(layer, "WGS84BoundingBox")
    if box is None:
        return None
    corners = [(text_at(box, name) or "").split() for name in ("LowerCorner", "UpperCorner")]
    if any(len(corner) != 2 for corner in corners):
        raise OfferError("its WGS84BoundingBox is not a pair of corners")
    (west, south), (east, north) = ((number(a), number(b)) for a, b in corners)
    return west, south, east, north

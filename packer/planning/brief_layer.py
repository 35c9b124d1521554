"""A layer of a brief: one source of tiles, and the form that every table of a brief has."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, field_validator, model_validator
from pydantic.json_schema import SkipJsonSchema
from pydantic_core import PydanticKnownError

from packer.geometry.grid import MAX_ZOOM
from packer.planning.brief_pictures import PICTURES_ALONE, check_pictures
from packer.planning.brief_services import (
    LAYER_RULES,
    SERVICE_KEYS,
    Dimensions,
    Moment,
    ServiceNames,
    address_key,
    check_keys,
    check_metatile,
    gutter_px,
    side_tiles,
)
from packer.planning.brief_times import Day
from packer.planning.brief_values import (
    Command,
    Hashes,
    Headers,
    Hosts,
    Prose,
    Rate,
    Subdomains,
    Switch,
    Text,
    Zooms,
    one_of,
    side_px,
    whole,
)
from packer.planning.layer_names import ADDRESS_KEYS
from packer.sources.address import check_date, check_place, check_template
from packer.sources.offer import Offer

__all__ = ["SERVICE_KEYS", "Layer", "Table", "key_of"]


def key_of(name: str) -> str:
    """The key of a brief behind a field's name."""
    return name.replace("_", "-")


class Table(BaseModel):
    """One table of a brief: unknown keys are faults, and keys have hyphens where names have underscores.

    The text below a field is what the reference and the schema say of its key; it ends with what holds without the key.
    """

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        alias_generator=key_of,
        populate_by_name=False,
        hide_input_in_errors=True,
    )


_MISSING = object()  # stands where a key is missing that only a layer without an offer needs
_RULES = {**LAYER_RULES, "oneOf": [*LAYER_RULES["oneOf"], PICTURES_ALONE]}


class Layer(Table):
    """One source of tiles and the terms on which it may be asked.

    Its address is `url`, or comes with the rest of what its server offers by one of the other `ADDRESS_KEYS`. Until
    such an offer is filled in (`packer.planning.offers`), `url` is empty and `zooms` and `attribution` may be defaults.
    """

    model_config = ConfigDict(json_schema_extra=_RULES)

    name: SkipJsonSchema[str]
    url: Text = Field(
        default="",
        repr=False,
        examples=["https://tiles.example.org/aerial/{z}/{x}/{y}.jpg?key=${AERIAL_KEY}"],
    )
    """The address of one tile. {z}, {x} and {y} stand for zoom, column and row, {-y} for a row counted from the south,
    {quadkey} for a quadkey, {s} for one of `subdomains`, {date} for `date`, and ${NAME} for an environment variable,
    such as a key. In place of the numbers {bbox} may stand for the tile's box in metres of EPSG:3857 (west, south,
    east, north), with {width} and {height} for its pixels.
    Without it, one of the addresses of a description has to be there: a layer has just one address."""
    tilejson: Text | None = Field(
        default=None, repr=False, examples=["https://tiles.example.org/aerial.json"]
    )
    """The address of a TileJSON 2 or 3 document, in which the server describes the layer.
    Without it, another address has to be there."""
    wmts: Text | None = Field(
        default=None, repr=False, examples=["https://maps.example.org/wmts/capabilities.xml"]
    )
    """The address of the capabilities of a WMTS 1.0.0, in which the server describes its layers.
    Without it, another address has to be there."""
    wmts_layer: Text | None = Field(default=None, examples=["orthophoto"])
    """Which layer of the WMTS is meant. Without it, the WMTS has to offer just one."""
    wmts_style: Text | None = Field(default=None, examples=["default"])
    """Which style of the layer of the WMTS is meant. Without it, its default style is used."""
    wmts_matrix_set: Text | None = Field(default=None, examples=["WebMercatorQuad"])
    """Which tile matrix set of the WMTS is meant. From one with another grid than that of WebMercatorQuad the tiles are
    made. Without it, the first one with that grid is used, one of 256 pixels before one of 512, or else the finest."""
    wms: Text | None = Field(default=None, repr=False, examples=["https://maps.example.org/wms"])
    """The address of a WMS 1.1 or 1.3, or of its capabilities, in which the server describes its layers.
    Without it, another address has to be there."""
    wms_layers: ServiceNames = Field(default=(), examples=["orthophoto", ["orthophoto", "labels"]])
    """Which layers of the WMS are drawn, the first at the bottom. Without it, the WMS has to offer just one."""
    wms_style: ServiceNames = Field(default=(), examples=["default"])
    """Which style of each of `wms-layers` is meant. Without it, the default styles are used."""
    wms_crs: Text | None = Field(default=None, examples=["EPSG:2056"])
    """The coordinate system in which maps of the WMS are asked for. In another one than Web Mercator they are fetched
    in a grid of their own, and the tiles are made from them. Without it, Web Mercator if the WMS offers it, or else the
    first system of its list that is meant for the ground of the layers."""
    transparent: Switch = Field(default=False, examples=[True])
    """That the WMS leaves transparent what its layers do not cover; the format is then "png" or "webp".
    Without it, that is white."""
    ogc_tiles: Text | None = Field(default=None, repr=False, examples=["https://maps.example.org/ogc"])
    """The address of a service with OGC API Tiles: its landing page, a collection or a tileset. The tiles have to be
    offered in WebMercatorQuad. Without it, another address has to be there."""
    ogc_collection: Text | None = Field(default=None, examples=["orthophoto"])
    """Which collection of the OGC API is meant.
    Without it, the tiles of the whole service are, or those of its only collection."""
    date: Moment | None = Field(default=None, examples=["2026-11-28", "latest"])
    """The day or time of what is fetched: for {date} in `url`, or of a WMTS or WMS that has several. "latest" is the
    last one that the server states when it is first read, and stays. Tiles of two dates never come into one pack.
    Without it, a service is asked for the date that it takes by default, and `url` may have no {date}."""
    dimensions: Dimensions = Field(default={}, examples=[{"elevation": "500"}])
    """Values for other axes of a layer of a WMTS or WMS, by name. Without it, the default of each is used."""
    metatile: Annotated[Literal[1, 2, 4, 8], side_tiles()] = Field(default=1, examples=[4])
    """How many tiles a side one request asks for, as one picture that is cut apart: 4 makes one request of 4 by 4
    tiles. It goes with `wms`, or with {bbox}, {width} and {height} in `url`, and makes fewer cut names at the edges of
    tiles. No picture gets wider than 2048 pixels, or than the server allows. Without it, 1: each tile is asked for
    alone."""
    gutter: Annotated[Literal[0, 16, 32, 64, 128], gutter_px()] = Field(default=0, examples=[32])
    """How many pixels round each picture are asked for as well and thrown away, so that names and lines are not cut at
    its edges. It goes with what `metatile` goes with. Without it, 0."""
    tile_hosts: Hosts = Field(default=(), examples=[["tiles.example.net"]])
    """Other hosts that the tiles may come from: where the server sends each tile on to another host by a redirect, or
    it describes tiles on a host other than its own. The caps of the layer hold for each of them;
    where tiles are sent on, `headers` do not go along. Without it, no other host is asked."""
    tile_size: Annotated[Literal[256, 512] | None, side_px(256, 512)] = Field(default=None, examples=[512])
    """The side of a tile in pixels; tiles of another size are not stored.
    Without it, it is what the server says; if that says nothing, any size is stored, and figures count on 256."""
    attribution: Prose = Field(default="", examples=["Example Survey"])
    """Whom the map has to name as its source; every page and card shows it.
    Without it, the one of the server holds; a layer with `url` has to have it."""
    permission: Prose = Field(examples=["Own server"])
    """Your right to keep these tiles offline, in your own words. It is stored in the pack. It has to be there."""
    zooms: Zooms = Field(default=(0, MAX_ZOOM), examples=[[0, 19]])
    """The first and the last zoom that the server offers. Without it, what the server says holds; a layer with `url`
    has to have it."""
    connections: Annotated[int, whole(1, 64)] = Field(default=4, examples=[8])
    """How many requests may be under way at the same time; never exceeded. Without it, 4."""
    requests_per_second: Rate = Field(default=20.0, examples=[50])
    """How many requests may start in one second; never exceeded. Without it, 20."""
    headers: Headers = Field(default={}, repr=False, examples=[{"X-Key": "${AERIAL_KEY}"}])
    """Headers to send with each request of this layer. Without it, none but those that every request has."""
    key_command: Command = Field(default=(), repr=False, examples=[["map-key", "aerial"]])
    """A program that prints the layer's key in one line. It is asked for each ${NAME} of the layer that the
    environment does not have, which the variable LASTBAR_KEY tells it, and again when the server refuses the key. It
    runs without a shell, for 30 s at most. Without it, keys come from the environment and the system's keyring."""
    subdomains: Subdomains = Field(default=(), examples=[["a", "b"]])
    """What {s} in the address may stand for. Without it, the address may have no {s}."""
    format: Annotated[Literal["png", "jpg", "webp", "pbf"] | None, one_of("png", "jpg", "webp", "pbf")] = (
        Field(default=None, examples=["jpg"])
    )
    """The format of the tiles; one of another format is not stored.
    Without it, the end of the address or what the server says decides, and otherwise the first tile."""
    expires: Day | None = Field(default=None, examples=["2027-03-01"])
    """The last day on which tiles may be fetched, as a licence may say. Without it, there is no last day."""
    tile_limit: Annotated[int, whole(1, 10**12)] | None = Field(default=None, examples=[2_000_000])
    """The most tiles of this layer that one brief may ask for. Without it, there is no limit."""
    blank: Hashes = Field(
        default=(), examples=[["9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"]]
    )
    """Pictures that stand for "no tile here", by the SHA-256 of their bytes; they count as absent.
    Without it, every whole picture counts as a tile."""
    permission_covers_robots: Switch = Field(default=False, examples=[True])
    """That your permission holds although the robots.txt of the server asks programs to stay away.
    Without it, what robots.txt asks is kept to."""
    pictures: Switch = Field(default=False, examples=[True])
    """That the layer has no server, but only pictures of your own, such as those of a drone, which come into it by
    `lastbar take-in`. Its tiles are "png", or "webp" if `format` says so. Without it, the layer has an address."""
    over: Text | None = Field(default=None, examples=["aerial"])
    """The layer that this one lies over: where this one has nothing, the other shows, and no floor holds for this one
    unless `at-least` names it. Without it, the layer stands by itself."""
    _offer: Offer | None = PrivateAttr(default=None)
    _asked: str | None = PrivateAttr(default=None)
    _written: Layer | None = PrivateAttr(default=None)

    @property
    def blank_hashes(self) -> frozenset[bytes]:
        """The SHA-256 of the pictures that stand for "no tile"."""
        return frozenset(map(bytes.fromhex, self.blank))

    @model_validator(mode="before")
    @classmethod
    def _whole_without_an_offer(cls, value: object) -> object:
        if not isinstance(value, dict) or set(ADDRESS_KEYS[1:]) & value.keys():
            return value
        if value.get("pictures") is True:
            return {"attribution": _MISSING, **value}
        return {**dict.fromkeys(("url", "attribution", "zooms"), _MISSING), **value}

    @field_validator("url", "attribution", "zooms", mode="before")
    @classmethod
    def _there(cls, value: object) -> object:
        if value is _MISSING:
            raise PydanticKnownError("missing")
        return value

    @model_validator(mode="after")
    def _addresses_tiles(self) -> Layer:
        given = {key_of(name) for name in self.model_fields_set}
        if self.pictures:
            check_pictures(given, self.format)
            return self
        address = address_key(given)
        values = {"transparent": self.transparent, "format": self.format}
        check_metatile(address, self.url, "metatile", given=self.metatile > 1)
        check_metatile(address, self.url, "gutter", given=self.gutter > 0)
        check_keys(address, given, {**values, "wms-style": self.wms_style, "wms-layers": self.wms_layers})
        try:
            if address == "url":
                check_template(self.url, self.subdomains, dated=True)
                check_date(self.url, self.date)
            else:
                check_place(self.offered_at or "")
        except ValueError as fault:
            raise ValueError(f"{address} cannot be used: {fault}") from None
        return self

    @property
    def offered_at(self) -> str | None:
        """Where the server describes what it offers, variables unfilled; None for a layer with a url."""
        return self.tilejson or self.wmts or self.wms or self.ogc_tiles

    @property
    def address_key(self) -> str:
        """The key under which the brief has the layer's address."""
        return next((key for key in ADDRESS_KEYS[1:] if getattr(self, key.replace("-", "_"))), "url")

    @property
    def offer(self) -> Offer | None:
        """What the server offers, once it is filled in."""
        return self._offer

    @property
    def has_address(self) -> bool:
        """Whether the address and all else that a plan needs is there."""
        return self.offered_at is None or self._offer is not None

    @property
    def asked(self) -> str | None:
        """The address as the server gave it a moment ago, ready for use and never shown; None for `url`."""
        return self._asked

    @property
    def as_written(self) -> Layer:
        """The layer as the brief has it, without what the server offers."""
        return self._written or self

    @property
    def keyed(self) -> tuple[str, ...]:
        """Every text of the layer that may name variables."""
        return (self.url, self.offered_at or "", *self.headers.values())

    def offered(self, offer: Offer, asked: str | None, **filled: object) -> Layer:
        """This layer with an offer and the values that follow from it filled in."""
        layer = self.as_written.model_copy(update=filled)
        layer._offer, layer._asked, layer._written = offer, asked, self.as_written
        return layer

"""A layer of a brief: one source of tiles, and the form that every table of a brief has."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, field_validator, model_validator
from pydantic_core import PydanticKnownError

from packer.geometry.grid import MAX_ZOOM
from packer.planning.brief_values import (
    Day,
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
from packer.sources.address import check_place, check_template
from packer.sources.offer import Offer

__all__ = ["Layer", "Table", "key_of"]


def key_of(name: str) -> str:
    """The key of a brief behind a field's name."""
    return name.replace("_", "-")


class Table(BaseModel):
    """One table of a brief: unknown keys are faults, and keys have hyphens where names have underscores."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, alias_generator=key_of, populate_by_name=False, hide_input_in_errors=True
    )


_MISSING = object()  # stands where a key is missing that only a layer without an offer needs


class Layer(Table):
    """One source of tiles and the terms on which it may be asked.

    Its address is `url`, or comes with the rest of what its server offers by `tilejson` or `wmts`. Until such
    an offer is filled in (`packer.planning.offers`), `url` is empty and `zooms` and `attribution` may be defaults.
    """

    name: str
    url: Text = Field(default="", repr=False)
    tilejson: Text | None = Field(default=None, repr=False)
    wmts: Text | None = Field(default=None, repr=False)
    wmts_layer: Text | None = None
    wmts_style: Text | None = None
    wmts_matrix_set: Text | None = None
    tile_hosts: Hosts = ()
    tile_size: Annotated[Literal[256, 512] | None, side_px(256, 512)] = None
    attribution: Prose = ""
    permission: Prose
    zooms: Zooms = (0, MAX_ZOOM)
    connections: Annotated[int, whole(1, 64)] = 4
    requests_per_second: Rate = 20.0
    headers: Headers = Field(default={}, repr=False)
    subdomains: Subdomains = ()
    format: Annotated[Literal["png", "jpg", "webp", "pbf"] | None, one_of("png", "jpg", "webp", "pbf")] = None
    expires: Day | None = None
    tile_limit: Annotated[int, whole(1, 10**12)] | None = None
    blank: Hashes = ()
    permission_covers_robots: Switch = False
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
        if not isinstance(value, dict) or {"tilejson", "wmts"} & value.keys():
            return value
        return {**dict.fromkeys(("url", "attribution", "zooms"), _MISSING), **value}

    @field_validator("url", "attribution", "zooms", mode="before")
    @classmethod
    def _there(cls, value: object) -> object:
        if value is _MISSING:
            raise PydanticKnownError("missing")
        return value

    @model_validator(mode="after")
    def _addresses_tiles(self) -> Layer:
        given = [key for key in ("url", "tilejson", "wmts") if key in self.model_fields_set]
        if len(given) != 1:
            raise ValueError(f"exactly one of url, tilejson and wmts is needed; found {' and '.join(given)}")
        if given[0] != "wmts":
            for key in ("wmts_layer", "wmts_style", "wmts_matrix_set"):
                if getattr(self, key) is not None:
                    raise ValueError(f"{key_of(key)} does not go with {given[0]}; leave it out")
        if given[0] == "url" and self.tile_hosts:
            raise ValueError("tile-hosts does not go with url, which already names the host; leave it out")
        try:
            if given[0] == "url":
                check_template(self.url, self.subdomains)
            else:
                check_place(self.offered_at or "")
        except ValueError as fault:
            raise ValueError(f"{given[0]} cannot be used: {fault}") from None
        return self

    @property
    def offered_at(self) -> str | None:
        """Where the server describes what it offers, variables unfilled; None for a layer with a url."""
        return self.tilejson or self.wmts

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

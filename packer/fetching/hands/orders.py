"""What the planning machine tells a hand of a layer: all that it takes to ask for tiles as the machine itself would.

An order holds keys. It is kept in memory, goes over TLS alone, and is never shown or logged.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from packer.content.payload import Kind
from packer.fetching.answers.outcome import TileRules
from packer.fetching.hands.hands_gate import HandsGate
from packer.fetching.hosts.host_identity import SharedGate
from packer.fetching.hosts.source import LIMIT_BYTES, Source
from packer.geometry.tileset import Tile
from packer.planning.brief import Layer
from packer.planning.offers import gutter_of, metatile_of
from packer.sources.address import Address
from packer.sources.kept_grids import grid_from, grid_values
from packer.sources.secrecy import Secrets

__all__ = [
    "GateOrder",
    "LayerOrder",
    "Orders",
    "Place",
    "gate_orders",
    "hand_layer",
    "layer_order",
    "source_of",
    "tiles_of",
]

Place = tuple[int, int, int]


class _Order(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


class GateOrder(_Order):
    """A host, or several that share caps: its caps, the hosts behind it and the layers that ask it. A layer may be sent
    on to `onward` hosts."""

    name: str
    connections: int = Field(ge=1, le=64)
    per_second: float = Field(gt=0)
    several: bool
    host: str
    hosts: tuple[str, ...]
    onward: tuple[str, ...]
    layers: tuple[str, ...]


class LayerOrder(_Order):
    """One layer. `shown` and `hosts` may be shown; what else is in it may not. Blocks have `side` tiles a side, and
    their pictures `gutter_px` more on each side."""

    name: str
    template: str = Field(repr=False)
    subdomains: tuple[str, ...]
    matrices: tuple[tuple[int, str], ...] | None  # in pairs: the keys of a message's tables are texts
    tile_px: int
    date: str
    grid: dict[str, Any] | None
    headers: dict[str, str] = Field(repr=False)
    secrets: tuple[str, ...] = Field(repr=False)
    hosts: tuple[str, ...]
    host: str
    shown: str
    written: str = Field(repr=False)
    kind: str | None
    size_px: int | None
    blank: tuple[bytes, ...]
    side: int = Field(ge=1, le=8)
    gutter_px: int = Field(ge=0, le=128)
    permission: str
    attribution: str
    expires: str | None
    connections: int
    per_second: float
    tile_hosts: tuple[str, ...]
    covers_robots: bool
    proven: bool
    key_came: bool
    telling_zoom: int
    trial: tuple[Place, ...]


class Orders(_Order):
    """All that a hand is told: for which trip, who asks, the gates and the layers."""

    title: str
    contact: str | None
    gates: tuple[GateOrder, ...]
    layers: tuple[LayerOrder, ...]


def gate_orders(
    gates: dict[str, SharedGate], onward: dict[str, SharedGate]
) -> tuple[dict[str, HandsGate], list[dict[str, Any]]]:
    """The gates that are lent of, by name, and what a hand is told of each."""
    named: dict[int, str] = {}
    found: dict[str, HandsGate] = {}
    told: list[dict[str, Any]] = []
    for shared in {id(s.gate): s for s in (*gates.values(), *onward.values())}.values():
        gate = shared.gate
        assert isinstance(gate, HandsGate)
        named[id(gate)] = name = f"gate{len(named)}"
        found[name] = gate
        order = GateOrder(
            name=name,
            connections=shared.cap,
            per_second=gate.per_second,
            several=gate.several,
            host=gate.host,
            hosts=tuple(sorted(shared.hosts)),
            onward=tuple(host for host, s in onward.items() if s.gate is gate),
            layers=tuple(layer for layer, s in gates.items() if s.gate is gate),
        )
        told.append(order.model_dump())
    return found, told


def layer_order(layer: Layer, source: Source, **known: Any) -> dict[str, Any]:
    """What a hand is told of a layer with this source; `known` is what the run knows of it: `kind`, `proven`,
    `key_came`, `telling_zoom` and `trial`."""
    address = source.address
    return LayerOrder(
        name=layer.name,
        template=address.template,
        subdomains=address.subdomains,
        matrices=tuple(address.matrices.items()) if address.matrices is not None else None,
        tile_px=address.tile_px,
        date=address.date,
        grid=None if address.grid is None else grid_values(address.grid),
        headers=dict(source.headers),
        secrets=tuple(source.secrets.texts),
        hosts=source.hosts,
        host=source.rules.host,
        shown=source.shown,
        written=source.written,
        size_px=source.rules.size_px,
        blank=tuple(source.blank),
        side=metatile_of(layer),
        gutter_px=gutter_of(layer),
        permission=layer.permission,
        attribution=layer.attribution,
        expires=layer.expires.isoformat() if layer.expires is not None else None,
        connections=layer.connections,
        per_second=layer.requests_per_second,
        tile_hosts=layer.tile_hosts,
        covers_robots=layer.permission_covers_robots,
        **known,
    ).model_dump()


def source_of(order: LayerOrder) -> Source:
    """The layer as a hand asks for it."""
    grid = None if order.grid is None else grid_from(order.grid)
    matrices = None if order.matrices is None else dict(order.matrices)
    address = Address(order.template, order.subdomains, matrices, order.tile_px, order.date, grid)
    kind = Kind(order.kind) if order.kind is not None else None
    rules = TileRules(kind, order.host, LIMIT_BYTES, order.size_px)
    secrets = Secrets(frozenset(order.secrets))
    return Source(
        order.name,
        order.hosts,
        address,
        order.headers,
        rules,
        frozenset(order.blank),
        secrets,
        order.written,
        order.shown,
    )


def hand_layer(order: LayerOrder) -> Layer:
    """The terms of the layer, as a brief would have them; its address, which holds keys, is left to the source."""
    return Layer.model_validate(
        {
            "name": order.name,
            "url": "https://tiles.invalid/{z}/{x}/{y}",
            "attribution": order.attribution,
            "permission": order.permission,
            "zooms": [0, 24],
            "connections": order.connections,
            "requests-per-second": order.per_second,
            **({"tile-hosts": list(order.tile_hosts)} if order.tile_hosts else {}),
            "permission-covers-robots": order.covers_robots,
            **({"expires": order.expires} if order.expires is not None else {}),
        }
    )


def tiles_of(places: tuple[Place, ...]) -> list[Tile]:
    """Tiles as they came in an order."""
    return [Tile(*place) for place in places]

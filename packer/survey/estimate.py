"""What a plan will weigh and how long it will take, from what is in the store, or as a guess that says so.

Bytes are those of the tiles' bodies. What is stored is known; the rest is judged from a sample: that of a
survey, whose even spread the interval is made for, or else a few of the stored tiles, which lie where a fetch
began and so count for little.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from packer.fetching.run_log import seconds_waited
from packer.geometry.blocks import block_count
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief, Layer
from packer.planning.offers import metatile_of
from packer.planning.pack_path import pack_path
from packer.planning.plan import LayerPlan, Plan, served
from packer.planning.source_layers import derived_from, server_layers, with_source_layers
from packer.store.figures import LastRun, mean_sizes, read_last_run, sizes_of
from packer.store.pack_files import has_pack
from packer.store.pack_summary import read_summary
from packer.survey.imagery import choose, size_interval
from packer.survey.record import read_record
from packer.survey.speed import AssumedSpeed

__all__ = [
    "OVERHEAD",
    "AssumedSpeed",
    "Bytes",
    "Estimate",
    "LayerEstimate",
    "LayerSizes",
    "PackSizes",
    "ZoomEstimate",
    "estimate",
    "estimate_layer",
    "estimate_layers",
    "last_speed",
    "layer_sizes",
    "pack_sizes",
    "seconds_for",
    "total",
]

OVERHEAD = 1.065  # a pack's pages over the bodies in it (measured, see packer.store.schema)
_PICKS = 280
_MOST_OF_ZOOM = 12  # stored tiles that count as a sample at each zoom, since they lie side by side
_SAME_RUN_S = 5  # layers that began within so many seconds were fetched together

# Bytes of a 256-pixel picture tile: common practice, no source. Coarse zooms hold sea and large even fields,
# middle ones are the busiest.
_GUESS = {**dict.fromkeys(range(7), 12_000), **dict.fromkeys(range(7, 17), 18_000)}
_GUESS_DEEP = 15_000
_GUESS_FACTOR = 3.0  # plain maps are a third of it, sharp imagery without loss three times as much
_WORTH = ("stored", "survey", "sample", "guess")  # from known to unknown


class Bytes(NamedTuple):
    """Bytes expected, and bounds that hold the truth nine times in ten.

    `basis` is "stored" (all of it is on board), "survey" (an evenly spread sample), "sample" (some tiles that
    happen to be stored) or "guess".
    """

    expected: float
    low: float
    high: float
    basis: str

    def to_dict(self) -> dict[str, Any]:
        """Whole bytes by name."""
        return {
            "expected": round(self.expected),
            "low": round(self.low),
            "high": round(self.high),
            "basis": self.basis,
        }

    def plus(self, known: float) -> Bytes:
        """With `known` more bytes that are certain."""
        return self._replace(expected=self.expected + known, low=self.low + known, high=self.high + known)


NO_BYTES = Bytes(0.0, 0.0, 0.0, "stored")


def total(parts: Iterable[Bytes]) -> Bytes:
    """The sum, as if all errors went the same way: never too narrow. Its basis is that of the weakest part."""
    every = list(parts)
    basis = max((part.basis for part in every), key=_WORTH.index, default="stored")
    return Bytes(sum(p.expected for p in every), sum(p.low for p in every), sum(p.high for p in every), basis)


@dataclass(frozen=True, slots=True)
class LayerSizes:
    """What is known of a layer: what its pack holds and lacks for good, mean bytes of what is held by zoom,
    and the sizes of sampled tiles (0 for one that is absent), with the side of a tile in pixels and the tiles a side of
    the blocks that are asked for."""

    held: TileSet = field(default_factory=TileSet)
    absent: TileSet = field(default_factory=TileSet)
    means: Mapping[int, float] = field(default_factory=dict)
    samples: Mapping[Tile, int] = field(default_factory=dict)
    basis: str = "guess"
    tile_px: int = 256
    metatile: int = 1

    def within(self, planned: TileSet) -> dict[int, list[int]]:
        """Sampled sizes by zoom, of tiles that are planned."""
        found: dict[int, list[int]] = {}
        for tile, size in self.samples.items():
            if tile in planned:
                found.setdefault(tile.zoom, []).append(size)
        return found


@dataclass(frozen=True, slots=True)
class ZoomEstimate:
    """One zoom: planned tiles, those on board, those that the server does not have, and bytes of all together."""

    tiles: int
    held: int
    absent: int
    bytes: Bytes


@dataclass(frozen=True, slots=True)
class LayerEstimate:
    """One layer; `to_fetch` is what is still to come, in `requests`. Of a derived layer nothing comes: `to_make` is
    what its missing tiles will take."""

    zooms: Mapping[int, ZoomEstimate]
    bytes: Bytes
    to_fetch: Bytes
    requests: int = 0
    to_make: Bytes | None = None

    def count(self, what: str) -> int:
        """The sum of "tiles", "held" or "absent" over the zooms."""
        return sum(int(getattr(zoom, what)) for zoom in self.zooms.values())

    @property
    def missing(self) -> int:
        """Tiles still to be asked for, or to be made."""
        return self.count("tiles") - self.count("held") - self.count("absent")

    def made(self) -> LayerEstimate:
        """The same as a derived layer."""
        return replace(self, to_fetch=NO_BYTES, requests=0, to_make=self.to_fetch)


@dataclass(frozen=True, slots=True)
class Estimate:
    """All layers; `bytes`, `to_fetch` and `to_make` as for one layer."""

    layers: Mapping[str, LayerEstimate]
    bytes: Bytes
    to_fetch: Bytes
    to_make: Bytes = NO_BYTES

    @property
    def missing(self) -> int:
        """Tiles still to be asked for."""
        return sum(layer.missing for layer in self.layers.values() if layer.to_make is None)

    @property
    def disk(self) -> Bytes:
        """What a disk has to have room for, without the overhead of packs."""
        return total((self.to_fetch, self.to_make))

    @property
    def requests(self) -> int:
        """Requests for them: fewer where a layer is asked for in blocks of tiles."""
        return sum(layer.requests for layer in self.layers.values())


def estimate(brief: Brief, plan: Plan, store: Path | None = None) -> Estimate:
    """Reckon a plan by what its packs hold. Raises StoreError for a pack that cannot be read."""
    wide, asked = with_source_layers(brief, served(brief, plan))
    sizes = {
        name: layer_sizes(wide.layers[name], layer, pack_path(brief, name, store))
        for name, layer in asked.layers.items()
    }
    return combined(estimate_layers(wide, asked, sizes))


def estimate_layers(brief: Brief, plan: Plan, sizes: Mapping[str, LayerSizes]) -> dict[str, LayerEstimate]:
    """The estimates of the layers of a plan, in which the source layers of its derived ones are. Pure."""
    made = derived_from(brief, plan)
    found = {name: estimate_layer(layer.tiles, sizes[name]) for name, layer in plan.layers.items()}
    return {name: one.made() if name in made else one for name, one in found.items()}


def combined(layers: Mapping[str, LayerEstimate]) -> Estimate:
    """The estimate of several layers together."""
    used = [layer for layer in layers.values() if layer.zooms]
    to_make = total(la.to_make for la in used if la.to_make is not None)
    return Estimate(layers, total(la.bytes for la in used), total(la.to_fetch for la in used), to_make)


@dataclass(frozen=True, slots=True)
class PackSizes:
    """What a pack and its survey tell, whatever is planned of it: what it holds and lacks for good, mean bytes of a
    stored tile by zoom, and the tiles that a survey sampled."""

    held: TileSet = field(default_factory=TileSet)
    absent: TileSet = field(default_factory=TileSet)
    means: Mapping[int, float] = field(default_factory=dict)
    surveyed: TileSet = field(default_factory=TileSet)


def pack_sizes(layer: Layer, pack: Path) -> PackSizes:
    """Read a layer's pack. Raises StoreError for one that cannot be read."""
    if not has_pack(pack):
        return PackSizes()
    summary = read_summary(pack, layer.blank_hashes)
    means = mean_sizes(pack) if summary.held else {}
    return PackSizes(summary.held, summary.absent, means, read_record(pack, layer).sample)


def layer_sizes(layer: Layer, planned: LayerPlan, pack: Path, known: PackSizes | None = None) -> LayerSizes:
    """Look up what is known of one layer; `known` is what its pack was found to hold, if it has not changed since.

    Raises StoreError for a pack that cannot be read.
    """
    known = known or pack_sizes(layer, pack)
    surveyed = known.surveyed & planned.tiles
    basis, picks = "survey", list(surveyed)
    if not surveyed:
        held = known.held & planned.tiles
        basis, picks = "sample", _picked(planned, held, layer.name) if held else []
    found = sizes_of(pack, picks) if picks else {}
    samples = {tile: found.get(tile, 0) for tile in picks if tile in found or tile in known.absent}
    return LayerSizes(
        known.held,
        known.absent,
        known.means,
        samples,
        basis if samples else "guess",
        planned.tile_px,
        metatile_of(layer),
    )


def _picked(planned: LayerPlan, held: TileSet, seed: str) -> list[Tile]:
    areas = {area.name: area.tiles & held for area in planned.areas}
    found: dict[int, list[Tile]] = {}
    chance = random.Random(seed)
    for tile in choose(areas, _PICKS, chance):
        found.setdefault(tile.zoom, []).append(tile)
    return [
        tile
        for tiles in found.values()
        for tile in (tiles if len(tiles) <= _MOST_OF_ZOOM else chance.sample(tiles, _MOST_OF_ZOOM))
    ]


def estimate_layer(planned: TileSet, sizes: LayerSizes) -> LayerEstimate:
    """Reckon a set of tiles of one layer by what is known of it. Pure."""
    tiles = planned.by_zoom()
    held = (planned & sizes.held).by_zoom()
    absent = ((planned & sizes.absent) - sizes.held).by_zoom()
    missing = {z: n - held.get(z, 0) - absent.get(z, 0) for z, n in tiles.items()}
    known = {z: n * sizes.means.get(z, 0.0) for z, n in held.items()}
    samples = sizes.within(planned)
    zooms = {}
    for z, n in tiles.items():
        weight = _rest({z: missing[z]}, samples, sizes).plus(known.get(z, 0.0))
        zooms[z] = ZoomEstimate(n, held.get(z, 0), absent.get(z, 0), weight)
    rest = _rest(missing, samples, sizes)
    requests = sum(missing.values())
    if sizes.metatile > 1:
        requests = block_count(planned - sizes.held - sizes.absent, sizes.metatile)
    return LayerEstimate(zooms, rest.plus(sum(known.values())), rest, requests)


def _rest(missing: Mapping[int, int], samples: Mapping[int, Sequence[int]], sizes: LayerSizes) -> Bytes:
    """Bytes of tiles that are not there yet, by how many there are at each zoom."""
    if not any(missing.values()):
        return Bytes(0.0, 0.0, 0.0, "stored")
    if not any(samples.values()):
        pixels = (sizes.tile_px / 256) ** 2
        expected = pixels * sum(n * _GUESS.get(z, _GUESS_DEEP) for z, n in missing.items())
        return Bytes(expected, expected / _GUESS_FACTOR, expected * _GUESS_FACTOR, "guess")
    # Sampled tiles go in as complete for their zoom plus what is missing, so that the interval speaks of the
    # missing ones alone, and zooms without a sample of their own find their neighbours.
    seen = {z: len(samples.get(z, ())) for z in missing.keys() | samples.keys()}
    found = size_interval(samples, {z: n + missing.get(z, 0) for z, n in seen.items()})
    sampled = sum(map(sum, samples.values()))
    return Bytes(found.expected - sampled, found.low - sampled, found.high - sampled, sizes.basis)


def seconds_for(brief: Brief, layers: Mapping[str, LayerEstimate], size: float, speed: AssumedSpeed) -> float:
    """Seconds to fetch what is missing, `size` bytes of it: as the link allows, or as the servers' caps on
    requests do where that takes longer."""
    by_host: dict[str, tuple[int, float]] = {}
    for name, found in layers.items():
        layer = brief.layers[name]
        if layer.pictures:
            continue
        asked, rate = by_host.get(host := urlsplit(layer.url).netloc, (0, layer.requests_per_second))
        by_host[host] = asked + found.requests, min(rate, layer.requests_per_second)
    paced = max((asked / rate for asked, rate in by_host.values()), default=0.0)
    return max(size * 8 / speed.bits_per_second, paced)


def last_speed(brief: Brief, store: Path | None = None) -> AssumedSpeed | None:
    """The speed of the last fetch that was long enough to tell; layers fetched at once count together.

    What it waited for a sign-in or a host that could not be reached is left out, as far as its log tells.
    Raises StoreError for a pack that cannot be read.
    """
    packs = {name: pack_path(brief, name, store) for name in server_layers(brief).values()}
    runs = {
        name: run
        for name, pack in packs.items()
        if has_pack(pack)
        if (run := read_last_run(pack)) is not None
    }
    if not runs:
        return None
    latest = max(run.started for run in runs.values())
    together = {name: run for name, run in runs.items() if latest - run.started <= _SAME_RUN_S}
    seconds = max(_working_s(packs[name], name, run) for name, run in together.items())
    return AssumedSpeed(8 * sum(run.bytes for run in together.values()) / seconds, "last run")


def _working_s(pack: Path, layer: str, run: LastRun) -> float:
    """Seconds of a run without its waits; at least one, since its times are kept in whole seconds."""
    waited_s = seconds_waited(pack.parent, layer, run.started, run.started + run.seconds)
    return max(run.seconds - waited_s, 1.0)

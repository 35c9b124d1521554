"""What a brief asks for and weighs, by area, layer and crew, as the page shows it. Pure but for reading packs."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from packer.errors import StoreError
from packer.geometry.grid import metres_per_pixel
from packer.geometry.shapes import Corridor, Shape
from packer.geometry.tileset import TileSet
from packer.planning.brief import OVERVIEW, Area, Brief, Layer
from packer.planning.ground import Ground
from packer.planning.offers import metatile_of, source_mark
from packer.planning.pack_path import pack_path
from packer.planning.plan import AreaPlan, Plan, plan_on
from packer.planning.source_layers import derived_from, source_remarks, with_source_layers
from packer.store.pack_files import numbered_files
from packer.survey.crew_sizes import crew_sizes
from packer.survey.estimate import (
    OVERHEAD,
    Bytes,
    Estimate,
    LayerSizes,
    PackSizes,
    combined,
    estimate_layer,
    last_speed,
    layer_sizes,
    pack_sizes,
    seconds_for,
)
from packer.survey.plan_warnings import warnings
from packer.survey.speed import AssumedSpeed

__all__ = ["Planner", "SupersededError"]

_Mark = tuple[int, int] | None


class SupersededError(Exception):
    """Nobody waits for these figures any more: a newer brief is there."""


class Planner:
    """Plans and weighs one brief after another. Safe to use from any thread; what did not change is not redone."""

    def __init__(self, store: Path | None = None) -> None:
        self.store = self._store = store
        self._ground = Ground()
        self._packs: dict[str, tuple[Any, PackSizes]] = {}
        self._sizes: dict[str, LayerSizes] = {}
        self._areas: dict[str, tuple[_WeighedArea, dict[str, Any]]] = {}
        self._lock = threading.Lock()

    def plan(self, brief: Brief) -> Plan:
        """The plan of a brief. Raises BriefError or PlanError as `packer.plan` does."""
        return plan_on(brief, self._ground)

    def figures(
        self, brief: Brief, plan: Plan, speed: AssumedSpeed | None, still_wanted: Callable[[], bool]
    ) -> dict[str, Any]:
        """Everything that is shown in numbers. Raises SupersededError once `still_wanted` gives False.

        `speed` None takes that of the last fetch. Sizes are {"expected", "low", "high", "basis"} in bytes.
        """
        wide_brief, wide_plan = with_source_layers(brief, plan)
        sizes, trouble = self._known(wide_brief, wide_plan)
        layers, made = {}, derived_from(brief, plan)
        for name, asked in wide_plan.layers.items():
            if not still_wanted():
                raise SupersededError
            one = estimate_layer(asked.tiles, sizes[name])
            layers[name] = one.made() if name in made else one
        whole = combined(layers)
        areas = {}
        for name, parts in _parts(brief, plan, sizes).items():
            if not still_wanted():
                raise SupersededError
            areas[name] = self._area(name, parts)
        return {
            "tiles": plan.count,
            "missing": whole.missing,
            "bytes": whole.bytes.to_dict(),
            "to_fetch": whole.to_fetch.to_dict(),
            "disk_bytes": round(whole.disk.high * OVERHEAD),
            "disk_free": _free(self._store or brief.store_folder),
            "layers": {
                name: _weight(one.bytes, one.missing, len(wide_plan.layers[name].tiles))
                for name, one in layers.items()
                if name in plan.layers
            },
            "areas": areas,
            "crews": [crew.to_dict() for crew in crew_sizes(brief, plan, sizes)],
            "time": self._time(wide_brief, whole, speed),
            "warnings": [*warnings(brief, plan), *plan.remarks, *source_remarks(brief, plan), *trouble],
        }

    def cover(self, brief: Brief, area: Area, zoom: int) -> TileSet:
        """The tiles that an area touches down to a zoom. Raises BriefError as `plan` does."""
        return self._ground.cover(brief, area, zoom)

    def sizes(self, brief: Brief, plan: Plan) -> dict[str, LayerSizes]:
        """What is known of each layer and of the sources of derived ones; of a pack that cannot be read, nothing."""
        return self._known(*with_source_layers(brief, plan))[0]

    def last_speed(self, brief: Brief) -> AssumedSpeed | None:
        """That of the last fetch, if a pack tells."""
        try:
            return last_speed(brief, self._store)
        except StoreError:
            return None

    def _known(self, brief: Brief, plan: Plan) -> tuple[dict[str, LayerSizes], list[str]]:
        sizes: dict[str, LayerSizes] = {}
        trouble: list[str] = []
        for name, asked in plan.layers.items():
            pack = pack_path(brief, name, self._store)
            try:
                found = layer_sizes(brief.layers[name], asked, pack, self._pack(brief.layers[name], pack))
            except StoreError as fault:
                trouble.append(str(fault))
                found = LayerSizes(tile_px=asked.tile_px, metatile=metatile_of(brief.layers[name]))
            with self._lock:
                # Where nothing is new the one from before stays: areas are told by it whether theirs is still true.
                sizes[name] = self._sizes[name] if self._sizes.get(name) == found else found
                self._sizes[name] = sizes[name]
        return sizes, trouble

    def _pack(self, layer: Layer, pack: Path) -> PackSizes:
        """What a pack holds, read once until it changes. Raises StoreError."""
        files = (pack, *numbered_files(pack).values())
        key = (str(pack), tuple(map(_mark, files)), layer.blank_hashes, source_mark(layer))
        with self._lock:
            known = self._packs.get(layer.name)
        if known is None or known[0] != key:
            known = key, pack_sizes(layer, pack)
            with self._lock:
                self._packs[layer.name] = known
        return known[1]

    def _area(self, name: str, parts: _WeighedArea) -> dict[str, Any]:
        """The figures of one area; worked out again only where something of it has changed."""
        with self._lock:
            known = self._areas.get(name)
        if known is None or not known[0].same(parts):
            known = parts, _area(parts)
            with self._lock:
                self._areas[name] = known
        return known[1]

    def _time(self, brief: Brief, whole: Estimate, speed: AssumedSpeed | None) -> dict[str, Any] | None:
        speed = speed or self.last_speed(brief)
        if speed is None:
            return None
        sizes = whole.to_fetch
        found = {
            name: round(seconds_for(brief, whole.layers, getattr(sizes, name), speed), 1)
            for name in ("expected", "low", "high")
        }
        return {**found, "bits_per_second": round(speed.bits_per_second), "basis": speed.basis}


def _free(folder: Path) -> int | None:
    """Bytes that are free where the packs are or will be; None where that cannot be told."""
    there = next((one for one in (folder, *folder.absolute().parents) if one.is_dir()), None)
    try:
        return None if there is None else shutil.disk_usage(there).free
    except OSError:
        return None


def _mark(path: Path) -> _Mark:
    try:
        told = path.stat()
    except OSError:
        return None
    return told.st_mtime_ns, told.st_size


def _weight(size: Bytes, missing: int, tiles: int) -> dict[str, Any]:
    return {"tiles": tiles, "missing": missing, "bytes": size.to_dict()}


@dataclass(frozen=True, slots=True)
class _WeighedArea:
    """What the figures of one area rest on: its shape (None for the overview), the latitude of its middle, and for
    each layer what it asks and what is known of sizes."""

    shape: Shape | None
    latitude: float
    layers: dict[str, tuple[AreaPlan, LayerSizes]]

    def same(self, other: _WeighedArea) -> bool:
        """Whether the figures of the two are the same."""
        return (
            self.shape is other.shape
            and self.latitude == other.latitude
            and self.layers.keys() == other.layers.keys()
            and all(
                sizes is other.layers[name][1]
                and asked.deepest == other.layers[name][0].deepest
                and asked.tiles == other.layers[name][0].tiles
                for name, (asked, sizes) in self.layers.items()
            )
        )


def _parts(brief: Brief, plan: Plan, sizes: Mapping[str, LayerSizes]) -> dict[str, _WeighedArea]:
    """Every area's, in the order of the brief, and then the overview's."""
    found = {
        name: _WeighedArea(shape, plan.shapes[name].middle[1], {})
        for name, shape in ((area.name, plan.shapes[area.name]) for area in brief.areas)
    }
    if brief.overview:
        found[OVERVIEW] = _WeighedArea(None, plan.middle[1], {})
    for layer_name, layer in plan.layers.items():
        for asked in layer.areas:
            if asked.tiles:
                found[asked.name].layers[layer_name] = asked, sizes[layer_name]
    return found


def _area(parts: _WeighedArea) -> dict[str, Any]:
    """One area by layer: depth asked, tiles, bytes; tiles that areas share count in each."""
    layers = {}
    for layer_name, (asked, sizes) in parts.layers.items():
        weighed = estimate_layer(asked.tiles, sizes)
        layers[layer_name] = {
            "deepest": asked.deepest,
            "metres_per_pixel": round(metres_per_pixel(asked.deepest, parts.latitude, sizes.tile_px), 3),
            **_weight(weighed.bytes, weighed.missing, len(asked.tiles)),
        }
    shape = parts.shape
    length = shape.length_m if isinstance(shape, Corridor) and shape.length_m > 0 else None
    return {
        "layers": layers,
        "length_km": None if length is None else round(length / 1000, 3),
        "bytes": round(sum(one["bytes"]["expected"] for one in layers.values())),
    }

"""What a verify finds, as plain data and as one JSON document."""

from __future__ import annotations

import enum
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from packer.errors import DiskError
from packer.geometry.tileset import TileSet
from packer.planning.source_layers import source_name
from packer.proof.depths import AreaDepth, WaypointDepth
from packer.proof.walk import LineWalk
from packer.store.audit import BadTile

__all__ = ["MOST_PROBLEMS", "Depth", "LayerFindings", "TileCounts", "Verdict", "VerifyReport"]

MOST_PROBLEMS = 100_000  # named one by one in the JSON document; the counts hold in any case


class Depth(enum.StrEnum):
    """How deep a verify looks. Each depth does all that the one before does."""

    QUICK = "quick"
    """Sets, counts and structure; bodies and seals by sample."""
    HASH = "hash"
    """Every body hashed again, every seal tried."""
    FULL = "full"
    """Every picture decoded as well."""


class Verdict(enum.StrEnum):
    """The verdict on a proof, in the same words on every surface."""

    READY = "READY"
    READY_WITH_WARNINGS = "READY WITH WARNINGS"
    NOT_READY = "NOT READY"
    UNFINISHED = "CHECK NOT FINISHED"


@dataclass(frozen=True, slots=True)
class TileCounts:
    """Planned tiles by what became of them: planned = stored + absent + missing + corrupt."""

    planned: int
    stored: int
    absent: int
    missing: int
    corrupt: int


@dataclass(frozen=True, slots=True)
class LayerFindings:
    """What was found of one layer.

    The sets are parts of the plan: `stored` is sound as far as was looked, `absent` is what the server said it
    does not have, `missing` and `corrupt` name the tiles to fetch; `bad` says why they are corrupt. `stale` are
    stored tiles past the time for which the server vouched, or over a year old; `blank` are tiles that are stored, but
    whose picture stands for "no tile" by the brief: they count as absent. `bodies` of the pack's
    `all_bodies` were checked, `earlier` of them by runs before this one that were cut short. `damage` is what
    SQLite finds wrong with the tables, `fetched` when the oldest and newest tile came (seconds since 1970). `partial`
    are tiles of the pack that show a part of their square alone, and `pictures` the pictures that tiles were cut from;
    `own` says that the layer has no server. Of a derived layer `source` is what was found of the tiles that it is made
    of, and `outdated` are its tiles that were made of others than the source's pack has now. `files` are those of
    the pack, `lost` those of them that are gone, and `twice` counts planned tiles that are in two of them.
    """

    pack: Path
    counts: TileCounts
    by_zoom: Mapping[int, TileCounts]
    missing: TileSet
    corrupt: TileSet
    bad: tuple[BadTile, ...]
    bodies: int
    stray: int
    stored: TileSet = field(default_factory=TileSet)
    absent: TileSet = field(default_factory=TileSet)
    stale: TileSet = field(default_factory=TileSet)
    blank: TileSet = field(default_factory=TileSet)
    partial: TileSet = field(default_factory=TileSet)
    all_bodies: int = 0
    earlier: int = 0
    finished: bool = True
    damage: tuple[str, ...] = ()
    unexamined: tuple[str, ...] = ()
    fetched: tuple[int, int] | None = None
    size_bytes: int = 0
    speed: float | None = None
    note: str | None = None
    pictures: tuple[str, ...] = ()
    own: bool = False
    source: LayerFindings | None = None
    outdated: TileSet = field(default_factory=TileSet)
    files: tuple[Path, ...] = ()
    lost: tuple[Path, ...] = ()
    twice: int = 0

    @property
    def sound(self) -> bool:
        """Nothing missing, nothing corrupt or out of date and no table damaged, as far as was looked."""
        whole = self.counts.missing == 0 and self.counts.corrupt == 0 and not self.damage
        return whole and not self.outdated and (self.source is None or self.source.sound)

    @property
    def ready(self) -> bool:
        """Sound, and looked at to the end."""
        return self.sound and self.finished and (self.source is None or self.source.ready)

    def problems(self) -> Iterator[tuple[str, str]]:
        """Every planned tile that is not to be relied on, "z/x/y", and what is wrong with it."""
        for bad in self.bad:
            yield str(bad.tile), f"corrupt: {bad.kind}"
        for tile in self.missing:
            yield str(tile), "missing"
        for tile in self.outdated:
            yield str(tile), "not made of what its source has now"


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """The findings for every layer that the plan asks for.

    `warnings` are sentences on what a crew should know of packs that are ready; `reasons` say why they are not;
    `not_checked` says what this depth leaves open. `unsaved` are the errors for which a list of corrupt tiles could
    not be left for the next fetch. `depths` and `waypoints` say how deep the map is on board in each area and at each
    waypoint. `wrong_ground`, which is among the `reasons` as well, are the signs that a pack is no map of the ground
    that was planned.
    """

    layers: Mapping[str, LayerFindings]
    depth: Depth = Depth.HASH
    reasons: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    not_checked: tuple[str, ...] = ()
    walk: tuple[LineWalk, ...] = ()
    unsaved: tuple[DiskError, ...] = ()
    depths: tuple[AreaDepth, ...] = ()
    waypoints: tuple[WaypointDepth, ...] = ()
    wrong_ground: tuple[str, ...] = ()

    @property
    def reaches_floors(self) -> bool:
        """Whether every area reaches its floor on each layer that is meant for it, and every waypoint is reached."""
        return all(depth.reaches_floor for depth in self.depths) and all(w.is_reached for w in self.waypoints)

    @property
    def ready(self) -> bool:
        """True only if all was looked at, nothing is missing or corrupt in any layer, every floor is reached, and
        nothing says that it is the wrong ground."""
        return self.is_sound and all(layer.ready for layer in self.layers.values())

    @property
    def is_sound(self) -> bool:
        """Whether no fault was found, as far as was looked."""
        sound = all(layer.sound for layer in self.layers.values())
        return sound and self.reaches_floors and not self.wrong_ground

    @property
    def verdict(self) -> Verdict:
        """A fault decides at once; without one, so does an early end."""
        if not self.is_sound:
            return Verdict.NOT_READY
        if not self.ready:
            return Verdict.UNFINISHED
        return Verdict.READY_WITH_WARNINGS if self.warnings else Verdict.READY

    def with_sources(self) -> Iterator[tuple[str, LayerFindings]]:
        """Every layer, and behind it the source that it is made of."""
        for name, layer in self.layers.items():
            yield name, layer
            if layer.source is not None:
                yield source_name(name), layer.source

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        problems: list[dict[str, str]] = []
        left_out = 0
        for name, layer in self.with_sources():
            room = MOST_PROBLEMS - len(problems)
            listed = [
                {"layer": name, "tile": tile, "kind": kind}
                for (tile, kind), _ in zip(layer.problems(), range(room), strict=False)
            ]
            left_out += len(layer.bad) + len(layer.missing) + len(layer.outdated) - len(listed)
            problems += listed
        return {
            "ready": self.ready,
            "verdict": self.verdict.value,
            "depth": self.depth.value,
            "finished": all(layer.finished for layer in self.layers.values()),
            "reasons": list(self.reasons),
            "warnings": list(self.warnings),
            "not_checked": list(self.not_checked),
            "depths": [depth.to_dict() for depth in self.depths],
            "waypoints": [waypoint.to_dict() for waypoint in self.waypoints],
            "layers": {name: _layer_json(layer) for name, layer in self.layers.items()},
            "problems": problems,
            "problems_not_listed": left_out,
            "walk": [line.to_dict() for line in self.walk],
        }


def _layer_json(layer: LayerFindings) -> dict[str, Any]:
    return {
        **_counts_json(layer.counts),
        "stale": len(layer.stale),
        "blank": len(layer.blank),
        "partial": len(layer.partial & layer.stored),
        "pictures": list(layer.pictures),
        "outdated": len(layer.outdated),
        "source": None if layer.source is None else _layer_json(layer.source),
        "bodies": layer.all_bodies,
        "bodies_checked": layer.bodies,
        "fetched": list(layer.fetched) if layer.fetched else None,
        "size_bytes": layer.size_bytes,
        "damage": list(layer.damage),
        "files": [path.name for path in layer.files],
        "lost_files": [path.name for path in layer.lost],
        "in_two_files": layer.twice,
        "by_zoom": {str(zoom): _counts_json(counts) for zoom, counts in layer.by_zoom.items()},
    }


def _counts_json(counts: TileCounts) -> dict[str, int]:
    return {name: getattr(counts, name) for name in ("planned", "stored", "absent", "missing", "corrupt")}

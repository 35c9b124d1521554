"""What to give up when a plan does not fit. Proposals only.

How proposals are ranked, common practice and no source: first what a survey has shown to hold nothing new,
which costs the crew nothing. After that a step at a time, always the one that saves most for each point of
loss: a zoom less costs 1 point at zoom 19 and twice as much for each zoom above, half the reach of a corridor
1 to 16 points by how narrow it gets, the overview's deepest zoom 8, and a layer left out 64. When everything
fits, steps that turn out not to be needed are taken back, the dearest first. No step touches an area that says
`keep = true`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import reduce

from packer.common.units import seconds as duration_s
from packer.common.units import size_bytes
from packer.geometry.shapes import Corridor
from packer.geometry.source_tiles import source_tiles
from packer.geometry.tileset import TileSet
from packer.planning.brief import OVERVIEW, Area, Brief
from packer.planning.brief_edits import (
    Depths,
    Edit,
    HalfWidth,
    Layers,
    OverviewTo,
    edited,
    limits,
    lowered,
)
from packer.planning.plan import Plan
from packer.planning.source_layers import grid_of, source_name, with_source_layer
from packer.survey.estimate import (
    OVERHEAD,
    AssumedSpeed,
    Estimate,
    LayerEstimate,
    LayerSizes,
    combined,
    estimate_layer,
    seconds_for,
)

__all__ = ["RANKING", "Change", "Figures", "Fit", "Target", "fit"]

RANKING = (
    "The changes that cost the crew least come first (common practice, no source): depths where a survey found "
    "nothing new, then what saves most for the detail, width or layer that it costs."
)

_SHALLOWEST = 10  # above it there is nothing to save, and the map would be of no use on the ground
_SHALLOWEST_OVERVIEW = 8
_OVERVIEW_POINTS = 8.0
_NARROWEST_M = 100.0
_SLACK = 0.9
_LAYER_POINTS = 64.0
_REACH_POINTS = ((1000.0, 1.0), (500.0, 2.0), (250.0, 6.0), (0.0, 16.0))  # by the half-width that is left


@dataclass(frozen=True, slots=True)
class Target:
    """What has to be met: a time in seconds for what is still to be fetched, or bytes of packs on disk."""

    seconds: float | None = None
    disk_bytes: int | None = None

    @classmethod
    def of(cls, text: str) -> Target:
        """From words such as "2h" or "8GB". Raises ValueError for what is neither a time nor a size."""
        try:
            return cls(seconds=duration_s(text))
        except ValueError:
            return cls(disk_bytes=size_bytes(text))


@dataclass(frozen=True, slots=True)
class Figures:
    """A plan in numbers: tiles in all, bytes of all of them and time for what is missing (None without a
    speed), the last two by the upper bound of the estimate, also where nothing is sampled yet."""

    tiles: int
    bytes: float
    seconds: float | None

    def less(self, other: Figures) -> Figures:
        """What `other` saves against this."""
        both = self.seconds is not None and other.seconds is not None
        spared = (self.seconds or 0.0) - (other.seconds or 0.0) if both else None
        return Figures(self.tiles - other.tiles, self.bytes - other.bytes, spared)


@dataclass(frozen=True, slots=True)
class Change:
    """One proposal: in words, as edits of the brief, and what it saves on top of those before it."""

    words: str
    edits: tuple[Edit, ...]
    saves: Figures


@dataclass(frozen=True, slots=True)
class Fit:
    """The outcome: whether the changes together are enough, and the figures before and after them."""

    target: Target
    reached: bool
    before: Figures
    after: Figures
    changes: tuple[Change, ...]

    @property
    def edits(self) -> list[Edit]:
        """All edits in order."""
        return [edit for change in self.changes for edit in change.edits]


@dataclass(frozen=True, slots=True)
class _Step:
    """A proposal on its own; `points` is what the crew loses by it, 0 for nothing."""

    words: str
    edits: tuple[Edit, ...]
    points: float


def fit(
    brief: Brief,
    plan: Plan,
    sizes: Mapping[str, LayerSizes],
    surveyed: Mapping[str, Mapping[str, int]],
    target: Target,
    speed: AssumedSpeed | None = None,
    *,
    refused: Collection[tuple[str, str]] = (),
) -> Fit:
    """Changes to the brief that bring its plan within the target, or as near as they can.

    `sizes` is what is known of each layer, `surveyed` the depth worth fetching by layer and area. Nothing is
    written. A target in seconds needs a speed. The overview is counted as it is, although a narrower corridor
    has a smaller one, so that applying saves no less than stated. `refused` edits, by class and area, are left out.
    """
    return _Fitting(brief, plan, sizes, target, speed, refused).go(surveyed)


@dataclass(slots=True)
class _Fitting:
    brief: Brief
    plan: Plan
    sizes: Mapping[str, LayerSizes]
    target: Target
    speed: AssumedSpeed | None
    refused: Collection[tuple[str, str]] = ()
    covers: dict[tuple[str, float | None], TileSet] = field(default_factory=dict)
    known: dict[tuple[tuple[str, tuple[object, ...]], ...], dict[str, LayerEstimate]] = field(
        default_factory=dict
    )

    def go(self, surveyed: Mapping[str, Mapping[str, int]]) -> Fit:
        before = self._figures([])
        steps: list[_Step] = []
        if not self._met(before):
            steps = [s for s in self._allowed(_limit_steps(self.brief, surveyed)) if self._saves([], s) > 0]
            steps = self._spare(self._greedy(steps), free=len(steps))
        changes, figures = [], before
        edits: list[Edit] = []
        for step in _merged(steps):
            edits += step.edits
            after = self._figures(edits)
            changes.append(Change(step.words, step.edits, figures.less(after)))
            figures = after
        return Fit(self.target, self._met(figures), before, figures, tuple(changes))

    def _greedy(self, steps: list[_Step]) -> list[_Step]:
        """Add the best step until the target is met. What a step saves only shrinks as others are taken, so
        that one whose worth is counted again and still leads is the best."""
        ranked = [(self._worth(steps, step), step) for step in self._allowed(self._candidates(steps))]
        while not self._met(self._figures(_edits(steps))):
            ranked = sorted((r for r in ranked if r[0] > 0), key=lambda r: (-r[0], r[1].words))
            if not ranked:
                break
            worth = self._worth(steps, ranked[0][1])
            if len(ranked) > 1 and worth < ranked[1][0]:
                ranked[0] = worth, ranked[0][1]
                continue
            if worth <= 0:
                ranked = ranked[1:]
                continue
            steps = [*steps, ranked[0][1]]
            # What stood on the list may rest on a brief that is no more, such as a layer left out since.
            known = {step.words: worth for worth, step in ranked}
            ranked = [
                (known[s.words] if s.words in known else self._worth(steps, s), s)
                for s in self._allowed(self._candidates(steps))
            ]
        return steps

    def _allowed(self, steps: Iterable[_Step]) -> list[_Step]:
        return [s for s in steps if not any((type(e).__name__, e.area) in self.refused for e in s.edits)]

    def _spare(self, steps: list[_Step], free: int) -> list[_Step]:
        """Take back steps that are not needed, the dearest first; those that cost nothing stay."""
        for step in sorted(steps[free:], key=lambda s: -s.points):
            without = [s for s in steps if s is not step]
            if self._met(self._figures(_edits(without))) and self._figures(_edits(without)) != self._figures(
                _edits(steps)
            ):
                steps = without
        return steps

    def _worth(self, steps: list[_Step], step: _Step) -> float:
        return self._saves(steps, step) / step.points

    def _saves(self, steps: list[_Step], step: _Step) -> float:
        before, after = self._figures(_edits(steps)), self._figures([*_edits(steps), *step.edits])
        return self._cost(before) - self._cost(after)

    def _cost(self, figures: Figures) -> float:
        return figures.bytes if self.target.seconds is None else figures.seconds or 0.0

    def _met(self, figures: Figures) -> bool:
        if self.target.seconds is not None:
            return figures.seconds is not None and figures.seconds <= self._room * self.target.seconds
        return figures.bytes * OVERHEAD <= self._room * (self.target.disk_bytes or 0)

    @property
    def _room(self) -> float:
        """How much of the target may be used: of stored tiles, the changed plan would pick others to judge by."""
        return _SLACK if any(known.basis == "sample" for known in self.sizes.values()) else 1.0

    def _candidates(self, steps: list[_Step]) -> Iterator[_Step]:
        brief = edited(self.brief, _edits(steps))
        for area in (area for area in brief.areas if not area.keep):
            used = [brief.layers[name] for name in area.layers or brief.layers]
            deepest = min(area.deepest_zoom, max(layer.zooms[1] for layer in used))
            if deepest > max(_shallowest(area, brief), *(layer.zooms[0] for layer in used)):
                words = f"{area.name}: to zoom {deepest - 1} instead of {deepest}"
                yield _Step(words, (lowered(brief, area, deepest - 1),), 2.0 ** (19 - deepest))
            yield from self._narrower(area)
        yield from _all_shallower(brief)
        yield from _coarser_overview(brief)
        yield from _without_layer(brief)

    def _narrower(self, area: Area) -> Iterator[_Step]:
        half_m = None if area.half_width is None else float(f"{area.half_width / 2:.2g}")
        # A part holds its tiles of the whole corridor; a narrower one would be split differently.
        if half_m is None or half_m < _NARROWEST_M or self.brief.part:
            return
        points = next(points for least, points in _REACH_POINTS if half_m >= least)
        words = f"{area.name}: {half_m:g} m on either side instead of {area.half_width:g} m"
        yield _Step(words, (HalfWidth(area.name, half_m),), points)

    def _figures(self, edits: list[Edit]) -> Figures:
        found = self._estimate(edited(self.brief, edits))
        tiles = sum(layer.count("tiles") for layer in found.layers.values())
        rest = found.to_fetch.high
        asked = reduce(with_source_layer, self.brief.layers, self.brief)
        time = seconds_for(asked, found.layers, rest, self.speed) if self.speed else None
        return Figures(tiles, found.bytes.high, time)

    def _estimate(self, brief: Brief) -> Estimate:
        found: dict[str, LayerEstimate] = {}
        for name in brief.layers:
            found |= self._layer(brief, name)
        return combined(found)

    def _layer(self, brief: Brief, layer: str) -> dict[str, LayerEstimate]:
        """A layer's estimate, and that of the source that it is made of, kept by what its areas ask for."""
        wanted = [area for area in brief.areas if area.layers is None or layer in area.layers]
        asked = [(a.name, (a.half_width, a.deepest_for(layer))) for a in wanted]
        coarse = brief.overview.deepest if brief.overview and wanted else -1
        key = ((layer, (coarse,)), *((name, how) for name, how in asked))
        if key not in self.known:
            first, last = brief.layers[layer].zooms
            parts = [
                self._cover(name, layer, half).at(*range(first, min(deepest, last) + 1))
                for name, (half, deepest) in asked
            ]
            parts += [
                a.tiles.at(*range(coarse + 1)) for a in self.plan.layers[layer].areas if a.name == OVERVIEW
            ]
            self.known[key] = self._weighed(layer, TileSet.union(parts))
        return self.known[key]

    def _weighed(self, layer: str, tiles: TileSet) -> dict[str, LayerEstimate]:
        found = estimate_layer(tiles, self.sizes.get(layer, LayerSizes()))
        grid = grid_of(self.brief.layers[layer])
        if grid is None:
            return {layer: found}
        asked = source_tiles(grid, tiles, self.plan.layers[layer].tile_px)
        source = source_name(layer)
        return {
            layer: found.made(),
            source: estimate_layer(asked, self.sizes.get(source, LayerSizes(tile_px=grid.tile_px))),
        }

    def _cover(self, area: str, layer: str, half_m: float | None) -> TileSet:
        shape = self.plan.shapes[area]
        same = not isinstance(shape, Corridor) or half_m is None or half_m == shape.half_width_m
        if same:
            return next((a.tiles for a in self.plan.layers[layer].areas if a.name == area), TileSet())
        if (area, half_m) not in self.covers:
            assert isinstance(shape, Corridor)
            assert half_m is not None
            zooms = [a.deepest for la in self.plan.layers.values() for a in la.areas if a.name == area]
            narrow = replace(shape, half_width_m=half_m)
            self.covers[area, half_m] = narrow.tiles(max(zooms)).pyramid(0)
        return self.covers[area, half_m]


def _shallowest(area: Area, brief: Brief) -> int:
    """The zoom above which an area is not proposed to go: its at-least is the planner's word."""
    return max(_SHALLOWEST, *(area.least_for(name) or 0 for name in brief.layers if area.uses(name)))


def _edits(steps: list[_Step]) -> list[Edit]:
    return [edit for step in steps for edit in step.edits]


def _limit_steps(brief: Brief, surveyed: Mapping[str, Mapping[str, int]]) -> list[_Step]:
    found: dict[str, list[Edit]] = {}
    for edit in limits(brief, surveyed):
        found.setdefault(edit.area, []).append(edit)
    return [
        _Step(f"{area}: leave out depths without detail, by the survey", tuple(e), 0.0)
        for area, e in found.items()
    ]


def _all_shallower(brief: Brief) -> Iterator[_Step]:
    """The deepest areas together a zoom less: where they overlap, one alone would save nothing."""
    free = [area for area in brief.areas if not area.keep]
    deepest = max((area.deepest_zoom for area in free), default=0)
    able = [a for a in free if a.deepest_zoom == deepest > _shallowest(a, brief)]
    edits = tuple(lowered(brief, area, deepest - 1) for area in able)
    if len(edits) > 1 and deepest > _SHALLOWEST:
        words = f"all areas at zoom {deepest}: to zoom {deepest - 1} instead of {deepest}"
        yield _Step(words, edits, len(edits) * 2.0 ** (19 - deepest))


def _coarser_overview(brief: Brief) -> Iterator[_Step]:
    if brief.overview and brief.overview.deepest > _SHALLOWEST_OVERVIEW:
        deepest = brief.overview.deepest
        words = f"overview: to zoom {deepest - 1} instead of {deepest}"
        yield _Step(words, (OverviewTo(deepest - 1),), _OVERVIEW_POINTS * 2.0 ** max(0, 12 - deepest))


def _without_layer(brief: Brief) -> Iterator[_Step]:
    """Leaving a layer out everywhere but in areas that say `keep`, where every area keeps another."""
    for name in brief.layers:
        edits, spared = [], [a.name for a in brief.areas if a.keep and a.uses(name)]
        for area in (area for area in brief.areas if not area.keep):
            used = tuple(area.layers or brief.layers)
            if name in used and len(used) == 1:
                break
            if name in used:
                edits.append(Layers(area.name, tuple(other for other in used if other != name)))
        else:
            if edits:
                but = f", except in {' and '.join(spared)}" if spared else ""
                yield _Step(f"layer {name}: leave it out{but}", tuple(edits), _LAYER_POINTS)


def _merged(steps: list[_Step]) -> list[_Step]:
    """Steps that set the same thing of the same area over and over, as one, at the place of the first."""
    merged: list[_Step] = []
    places: dict[tuple[type[Edit], str], int] = {}
    for step in steps:
        edit = step.edits[0]
        if len(step.edits) > 1 or step.points == 0 or not isinstance(edit, Depths | HalfWidth | OverviewTo):
            if isinstance(edit, Depths):
                places.clear()  # it has set depths too, and what comes later has to stay later
            merged.append(step)
        elif (place := places.setdefault((type(edit), edit.area), len(merged))) == len(merged):
            merged.append(step)
        else:
            was = merged[place].words.rpartition(" instead of ")[2]
            words = f"{step.words.rpartition(' instead of ')[0]} instead of {was}"
            merged[place] = _Step(words, step.edits, merged[place].points + step.points)
    return merged

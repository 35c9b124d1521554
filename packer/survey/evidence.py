"""From judged samples to the depth that is worth fetching. Pure."""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass

from packer.geometry.tileset import Tile
from packer.survey.imagery import Sight

__all__ = ["MAJORITY", "Judged", "SampleCounts", "Sort", "Worth", "tallies", "worth_to"]

MAJORITY = 0.8  # four of five: whatever depth a fifth of an area still gains by is kept
_LEAST = 6  # decidable samples below a cut, or all there are; fewer may be chance
_LEAST_NEXT = 3  # the same at the zoom right below the cut


class Sort(enum.StrEnum):
    """What a sampled tile turned out to be."""

    ABSENT = "absent"
    BLANK = "blank"
    ENLARGED = "enlarged"
    NATIVE = "native"
    UNDECIDED = "undecided"


_EMPTY = (Sort.ABSENT, Sort.BLANK)


@dataclass(frozen=True, slots=True)
class Judged:
    """One sampled tile: its sort, how it looks (None if absent or no picture) and its bytes, 0 if absent."""

    tile: Tile
    sort: Sort
    sight: Sight | None
    size_bytes: int


@dataclass(slots=True)
class SampleCounts:
    """Sampled tiles of one area and zoom by sort. `dull` counts those of any sort but blank that are dark or
    washed out."""

    sampled: int = 0
    absent: int = 0
    blank: int = 0
    enlarged: int = 0
    native: int = 0
    undecided: int = 0
    dull: int = 0

    def add(self, one: Judged) -> None:
        """Count one more."""
        self.sampled += 1
        setattr(self, one.sort.value, getattr(self, one.sort.value) + 1)
        if one.sort not in _EMPTY and one.sight in (Sight.DARK, Sight.WASHED_OUT):
            self.dull += 1

    def to_dict(self) -> dict[str, int]:
        """The counts by name."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Worth:
    """The deepest zoom worth fetching, and why, as a sentence. `judged` is False where too little could be
    told, so that the depth asked for stands."""

    zoom: int
    evidence: str
    judged: bool


@dataclass(slots=True)
class _Below:
    """What is below a cut: at the zoom next to it and in all."""

    useless: int = 0
    decidable: int = 0
    next_useless: int = 0
    next_decidable: int = 0

    def add(self, one: Judged, step: int) -> None:
        if one.sort is Sort.UNDECIDED:
            return
        gone = one.sort is not Sort.NATIVE
        self.decidable += 1
        self.useless += gone
        if step == 1:
            self.next_decidable += 1
            self.next_useless += gone


def tallies(judged: Iterable[Judged]) -> dict[int, SampleCounts]:
    """Counts by ascending zoom."""
    found: dict[int, SampleCounts] = {}
    for one in sorted(judged, key=lambda each: each.tile):
        found.setdefault(one.tile.zoom, SampleCounts()).add(one)
    return found


def worth_to(judged: Mapping[Tile, Judged], planned: Mapping[int, int], deepest: int) -> Worth:
    """The deepest zoom of an area that shows anything new, by its samples.

    `planned` is the area's number of tiles at each zoom, `deepest` the zoom asked for. The answer is the least
    zoom z such that a clear majority (`MAJORITY`) of the decidable samples right below it, and of all below
    it, are enlarged, blank or absent, with enough of them to say so. What is empty at z already, such as open
    water, says nothing about depth and does not count. Our own rule, no source.
    """
    zooms = [zoom for zoom in sorted(planned) if zoom <= deepest]
    for cut in zooms[:-1]:
        below = _below(judged, cut)
        least_next = min(_LEAST_NEXT, planned.get(cut + 1, 0))
        least = min(_LEAST, sum(planned[z] for z in zooms if z > cut))
        enough = below.next_decidable >= max(least_next, 1) and below.decidable >= least
        if (
            enough
            and _clear(below.next_useless, below.next_decidable)
            and _clear(below.useless, below.decidable)
        ):
            return Worth(
                cut,
                f"{below.useless} of {below.decidable} clear samples below zoom {cut} show nothing new (enlarged, "
                "blank or absent)",
                True,
            )
    return _kept(judged, deepest)


def _below(judged: Mapping[Tile, Judged], cut: int) -> _Below:
    below = _Below()
    for tile, one in judged.items():
        step = tile.zoom - cut
        if step <= 0:
            continue
        above = judged.get(Tile(cut, tile.x >> step, tile.y >> step))
        if above is None or above.sort not in _EMPTY or one.sort not in _EMPTY:
            below.add(one, step)
    return below


def _clear(part: int, whole: int) -> bool:
    return whole > 0 and part >= MAJORITY * whole


def _kept(judged: Mapping[Tile, Judged], deepest: int) -> Worth:
    last = [one for one in judged.values() if one.tile.zoom == deepest]
    if last and all(one.sort in _EMPTY for one in last):
        return Worth(
            deepest,
            f"all {len(last)} samples at zoom {deepest} are blank or absent, so its depth cannot be judged",
            False,
        )
    below = _below({one.tile: one for one in judged.values() if one.tile.zoom <= deepest}, deepest - 1)
    decidable, native = below.next_decidable, below.next_decidable - below.next_useless
    if native and not _clear(below.next_useless, decidable):
        return Worth(
            deepest, f"{native} of {decidable} clear samples at zoom {deepest} show real detail", True
        )
    return Worth(deepest, f"too few clear samples at zoom {deepest} ({decidable}) to judge it", False)

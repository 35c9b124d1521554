"""From judged samples to the depth that is worth fetching. Pure.

The samples of one place are judged together: nothing below an enlarged zoom is native, and nothing above a native one
is enlarged. So a tile that tells nothing by itself, being dark or plain, has the verdict of those above and below it,
and one that is enlarged by 4 or 8 speaks for the one or two zooms above as well.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace

from packer.geometry.tileset import Tile
from packer.survey.imagery import Sight

__all__ = [
    "MAJORITY",
    "Judged",
    "SampleCounts",
    "Sort",
    "Worth",
    "open_zooms",
    "pooled",
    "tallies",
    "worth_to",
]

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
    """One sampled tile: its sort, how it looks (None if absent or no picture), its bytes, 0 if absent, and by how much
    it is enlarged at least (1, 2, 4 or 8), or seems to be where it is undecided (`hint`: 1, 4 or 8)."""

    tile: Tile
    sort: Sort
    sight: Sight | None
    size_bytes: int
    factor: int = 1
    hint: int = 1

    @property
    def native_to(self) -> int:
        """The deepest zoom at which an enlarged tile's ground can be native."""
        return self.tile.zoom - max(self.factor, 2).bit_length() + 1


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

    `planned` is the area's number of tiles at each zoom, `deepest` the zoom asked for. The samples of each place are
    pooled first (`pooled`). The answer is the least zoom z such that a clear majority (`MAJORITY`) of the decidable
    samples right below it, and of all below it, are enlarged, blank or absent, with enough of them to say so, and not
    all of them by one coarse tile. What is empty at z already, such as open water, says nothing about depth and does
    not count. Our own rule, no source.
    """
    kept = _kept(pooled(judged), deepest)
    found = _cut(judged, planned, deepest, _LEAST_NEXT)
    if found is None and not kept.judged:
        # Too dark or plain to tell one by one: what many of them hint at together counts.
        found = _cut(_by_hints(judged), planned, deepest, _LEAST)
    if found is None:
        return kept
    zoom, below = found
    hints = sum(
        one.hint > 1 for one in judged.values() if one.sort is Sort.UNDECIDED and one.tile.zoom > zoom
    )
    faint = (
        f", {hints} of them by faint signs alone,"
        if hints and _cut(judged, planned, deepest, _LEAST_NEXT) is None
        else ""
    )
    return Worth(
        zoom,
        f"{below.useless} of {below.decidable} clear samples below zoom {zoom}{faint} show nothing new (enlarged, "
        "blank or absent)",
        True,
    )


def _cut(
    judged: Mapping[Tile, Judged], planned: Mapping[int, int], deepest: int, least_direct: int
) -> tuple[int, _Below] | None:
    """The least zoom below which there is nothing new, and what is below it; None where the samples do not say so."""
    zooms = [zoom for zoom in sorted(planned) if zoom <= deepest]
    together = pooled(judged)
    # What is blank by itself counts as such only if nothing was found below it.
    alone = {t: one for t, one in judged.items() if one.sort not in _EMPTY or together[t].sort in _EMPTY}
    for cut in zooms[:-1]:
        below = _below(together, cut)
        least_next = min(_LEAST_NEXT, planned.get(cut + 1, 0))
        least = min(_LEAST, sum(planned[z] for z in zooms if z > cut))
        if (
            below.next_decidable >= max(least_next, 1)
            and below.decidable >= least
            and _clear(below.next_useless, below.next_decidable)
            and _clear(below.useless, below.decidable)
            and _direct(alone, cut) >= min(least_direct, least)
        ):
            return cut, below
    return None


def _by_hints(judged: Mapping[Tile, Judged]) -> dict[Tile, Judged]:
    """The samples with hints taken for verdicts."""
    return {
        tile: replace(one, sort=Sort.ENLARGED, factor=one.hint)
        if one.sort is Sort.UNDECIDED and one.hint > 1
        else one
        for tile, one in judged.items()
    }


def pooled(judged: Mapping[Tile, Judged]) -> dict[Tile, Judged]:
    """The samples with the verdicts of those above and below them taken in.

    Each verdict speaks for its own tile and, if native, for those above it, if enlarged, for those below it and for
    those above it down to which it can be native. Where verdicts differ the more frequent one counts, and the native
    one where they are as many: what is cut off wrongly is missed in the field. A blank or absent tile with something
    below it tells nothing. Our own rule, no source.
    """
    native, enlarged = dict.fromkeys(judged, 0), dict.fromkeys(judged, 0)
    filled: set[Tile] = set()  # tiles with something to see in them, in their own picture or below
    for tile, one in judged.items():
        for up in range(tile.zoom + 1):
            above = Tile(tile.zoom - up, tile.x >> up, tile.y >> up)
            if above not in judged:
                continue
            if one.sort not in _EMPTY:
                filled.add(above)
            native[above] += one.sort is Sort.NATIVE
            enlarged[above] += one.sort is Sort.ENLARGED and above.zoom > one.native_to
            enlarged[tile] += up > 0 and judged[above].sort is Sort.ENLARGED
    return {
        tile: one if tile not in filled else replace(one, sort=_by_vote(native[tile], enlarged[tile]))
        for tile, one in judged.items()
    }


def _by_vote(native: int, enlarged: int) -> Sort:
    if not native and not enlarged:
        return Sort.UNDECIDED
    return Sort.NATIVE if native >= enlarged else Sort.ENLARGED


def open_zooms(judged: Mapping[Tile, Judged], planned: Mapping[int, int], deepest: int) -> range:
    """The zooms of an area of which more samples are to be taken: those below the deepest that is known to be native.

    None where there is a verdict, where nothing was sampled, and where the deepest zoom is blank or absent everywhere,
    since more samples would show the same.
    """
    zooms = [zoom for zoom in sorted(planned) if zoom <= deepest]
    last = [one for one in judged.values() if one.tile.zoom == deepest]
    if not last or all(one.sort in _EMPTY for one in last) or worth_to(judged, planned, deepest).judged:
        return range(0)
    together = pooled(judged).values()
    known = [
        zoom
        for zoom in zooms
        if sum(one.sort is Sort.NATIVE for one in together if one.tile.zoom == zoom)
        >= min(_LEAST_NEXT, planned[zoom])
    ]
    return range(max(known, default=zooms[0] - 1) + 1, deepest + 1)


def _direct(judged: Mapping[Tile, Judged], cut: int) -> int:
    """In how many places a tile shows by itself that there is nothing new below a cut."""
    found = {
        tile
        for tile, one in judged.items()
        if tile.zoom > cut and (one.sort in _EMPTY or (one.sort is Sort.ENLARGED and one.native_to <= cut))
    }
    above = {
        Tile(tile.zoom - up, tile.x >> up, tile.y >> up) for tile in found for up in range(1, tile.zoom - cut)
    }
    return len(found - above)


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

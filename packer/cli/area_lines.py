"""A line for each area: how much of it is there, and how deep. Fetch, status and verify show the same. Pure text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from packer.cli.lines import BLOCKS, Marks, percent, share_bar, shortened
from packer.common.units import counted
from packer.planning.plan import Plan
from packer.proof.depths import AreaDepth

__all__ = ["AreaState", "area_bars", "area_states", "labelled_bar", "shown_areas"]

_NAME, _BAR = 18, 12  # columns
_BESIDE = _NAME + _BAR + 10


@dataclass(frozen=True, slots=True)
class AreaState:
    """One area over all its layers: the share of its tiles that is not missing, and each layer's depth held and
    asked. `floor` is the one that it does not reach, None where it does or where nobody can say yet."""

    name: str
    share: float
    depths: tuple[tuple[str, int | None, int], ...]
    floor: int | None = None

    @property
    def whole(self) -> bool:
        """Whether nothing of it is missing."""
        return self.share >= 1.0

    def depth_text(self, width: int) -> str:
        """The depth that is on board, of the one asked for: "zoom 14 of 17"."""
        pairs = list(dict.fromkeys((held, asked) for _, held, asked in self.depths))
        if self.whole and all(held is not None and held >= asked for held, asked in pairs):
            each = " and ".join(map(str, sorted({asked for _, asked in pairs})))
            return f"zoom {each}, as asked"
        more = ", the server has no more" if self.whole else ""
        if self.floor is not None:
            more = f", BELOW ITS FLOOR, {self.floor}"
        short = [one for one in self.depths if one[1] is None or one[1] < one[2]] or self.depths
        named = [("zoom", *pairs[0])] if len(pairs) == 1 else short
        text = ", ".join(_zooms(*one) for one in named)
        if len(text) > width or (self.floor is not None and len(text + more) > width):
            least = min(pairs, key=lambda pair: -1 if pair[0] is None else pair[0])
            text = _zooms("zoom", *least) if self.floor is not None else _at_least(*least)
        return text + more if len(text + more) <= width else text


def _zooms(what: str, held: int | None, asked: int) -> str:
    if held is None and what == "zoom":
        return f"nothing of zoom {asked}"
    return f"{what} {'none' if held is None else held} of {asked}"


def _at_least(held: int | None, asked: int) -> str:
    """Of several layers, the one that is least deep."""
    return f"one layer nothing of {asked}" if held is None else f"at least zoom {held} of {asked}"


def area_states(plan: Plan, depths: Iterable[AreaDepth]) -> tuple[AreaState, ...]:
    """The areas of a plan by their depths, in the order of those."""
    planned = {
        (layer.name, area.name): len(area.tiles) for layer in plan.layers.values() for area in layer.areas
    }
    found: dict[str, list[AreaDepth]] = {}
    for depth in depths:
        found.setdefault(depth.area, []).append(depth)
    states = []
    for name, each in found.items():
        judged = [depth for depth in each if not depth.shows_the_other] or each
        tiles = sum(planned.get((depth.layer, name), 0) for depth in each)
        lacking = sum(depth.missing + depth.corrupt for depth in each)
        # Where tiles are missing, to fetch them is what counts, and may be all that it takes.
        settled = [depth for depth in each if not depth.missing + depth.corrupt]
        floors = [depth.floor for depth in settled if not depth.reaches_floor and depth.floor is not None]
        states.append(
            AreaState(
                name,
                (tiles - lacking) / tiles if tiles else 0.0,
                tuple((depth.layer, depth.held, depth.asked) for depth in judged),
                max(floors, default=None),
            )
        )
    return tuple(states)


def area_bars(areas: Sequence[AreaState], width: int, most: int, marks: Marks = BLOCKS) -> list[str]:
    """At most `most` lines of at most `width` columns."""
    shown, more = shown_areas(areas, most)
    lines = [labelled_bar(area.name, area.share, area.depth_text(width - _BESIDE), marks) for area in shown]
    return [line[:width] for line in (*lines, *more)]


def labelled_bar(name: str, share: float, text: str, marks: Marks = BLOCKS) -> str:
    """A name, a bar for a share, and a text."""
    return f"{shortened(name, _NAME):{_NAME}}  {share_bar(share, _BAR, marks)} {percent(share):>5}  {text}"


def shown_areas(areas: Sequence[AreaState], most: int) -> tuple[Sequence[AreaState], list[str]]:
    """Areas for so many lines: those that are not complete first, in their order, and a line on the others."""
    if len(areas) <= most:
        return areas, []
    open_first = sorted(areas, key=lambda area: area.whole and area.floor is None)
    shown, rest = open_first[: max(most - 1, 0)], open_first[max(most - 1, 0) :]
    whole = sum(area.whole for area in rest)
    some = (
        "none of them"
        if not whole
        else f"{whole:,} of them"
        if whole < len(rest)
        else "all"
        if whole > 1
        else ""
    )
    return shown, [f"and {counted(len(rest), 'more area')}, {f'{some} complete'.strip()}"]

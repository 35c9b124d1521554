"""Is a layer's address right? A handful of tiles is asked for, as written and with each likely slip mended.

Three things give a wrong address away: no picture comes at zooms where the order of the numbers tells; one and the same
picture comes for every place; or pictures come whose facing edges do not fit (`packer.content.seams`). What was
found is said in sentences that hold no key: a mended address is shown as `sources.safe_address.shown` shows it.
"""

from __future__ import annotations

import enum
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field

from packer.content.damage import Damaged
from packer.content.payload import Kind, examine
from packer.content.seams import Lie, how_they_lie
from packer.fetching.answers.outcome import LinkDown, Outcome, Refused, RetryAfter, SignIn, Stored
from packer.geometry.tileset import Tile, TileSet
from packer.sources.recognition import variants
from packer.sources.safe_address import shown

__all__ = [
    "TELLING_ZOOM",
    "AddressTrial",
    "AskTile",
    "Finding",
    "trial_tiles",
    "try_address",
    "zooms_that_answer",
]

TELLING_ZOOM = 6
"""From here on a wrong order of the numbers, or rows from the other end, leads off the grid or off the region. Above
it an exchanged address is often still one of a tile. Our own choice, no source."""

_MOST_TILES = 4
_LEAST_PICTURES = 3  # at so many places one picture is no chance

AskTile = Callable[[str, int, Tile], Awaitable[Outcome]]
"""Asks for a tile by a template, with {z} shifted by so many zooms; says what came."""


class Finding(enum.StrEnum):
    """What a trial came to."""

    FITS = "the address answers with pictures"
    WRONG_WAY = "the address answers with pictures that do not fit together"
    ONE_PICTURE = "one picture comes for every place"
    NO_PICTURE = "no picture comes"
    NOT_ASKED = "the server could not be asked"


@dataclass(frozen=True, slots=True)
class AddressTrial:
    """The outcome for one address.

    `better` is the template with a slip mended that answers as it should, filled in and never shown, None where there
    is none or none is needed; `slip` says the slip in words. `kind` and `side_px` are those of the pictures that came
    by the better address, or else by the one given; `bodies` are up to four of them, by tile. `lie` is how neighbours
    fit, None where the ground is too flat to tell. `sentences` are for the planner.
    """

    finding: Finding
    better: str | None = field(default=None, repr=False)
    slip: str | None = None
    shift: int = 0
    kind: Kind | None = None
    side_px: int | None = None
    lie: Lie | None = None
    bodies: tuple[tuple[Tile, bytes], ...] = field(default=(), repr=False)
    requests: int = 0
    sentences: tuple[str, ...] = ()

    @property
    def looks_wrong(self) -> bool:
        """Whether the address, as it is, would give no map or a wrong one."""
        return self.finding in (Finding.WRONG_WAY, Finding.ONE_PICTURE, Finding.NO_PICTURE)


def trial_tiles(planned: TileSet) -> list[Tile]:
    """Tiles of a plan that tell most: one a zoom, from the first that tells to the deepest, evenly spread."""
    zooms = [zoom for zoom in planned.zooms if zoom >= TELLING_ZOOM] or list(planned.zooms[-1:])
    count = min(_MOST_TILES, len(zooms))
    picked = sorted({zooms[round(i * (len(zooms) - 1) / max(count - 1, 1))] for i in range(count)})
    return [_middle(planned.at(zoom)) for zoom in picked]


def _middle(tiles: TileSet) -> Tile:
    runs = list(tiles.runs())
    zoom, row, first, last = runs[len(runs) // 2]
    return Tile(zoom, (first + last) // 2, row)


async def try_address(
    template: str, tiles: Sequence[Tile], ask: AskTile, *, written: str | None = None, mend: bool = True
) -> AddressTrial:
    """Try a template at some tiles, the same ground at several zooms at best, and its likely slips if need be.

    `written` is the template as it may be shown, with `${NAME}` unfilled. `mend` False tries only the address as it
    is, such as one that a server has given itself. If cancelled: nothing is left behind.
    """
    return await _Trial(template, written or template, list(tiles), ask, mend).go()


@dataclass(slots=True)
class _Answered:
    """What one address gave: pictures by tile, and how neighbours among them fit."""

    pictures: dict[Tile, Stored]
    lie: Lie | None = None
    compared: int = 0

    @property
    def one_picture(self) -> bool:
        different = {one.data for one in self.pictures.values()}
        return len(self.pictures) >= _LEAST_PICTURES and len(different) == 1


@dataclass(slots=True)
class _Trial:
    template: str
    written: str
    tiles: list[Tile]
    ask: AskTile
    mend: bool
    requests: int = 0
    obstacle: str | None = None

    async def go(self) -> AddressTrial:
        """If cancelled: nothing is left behind."""
        given = await self._answers(self.template, 0)
        if self.obstacle is not None:
            return self._told(Finding.NOT_ASKED, given, [f"The server could not be asked: {self.obstacle}."])
        if not given.pictures:
            return await self._mended(
                Finding.NO_PICTURE, given, "no picture came at the places that were tried"
            )
        if given.one_picture:
            told = (
                "The same picture comes for every place that was tried. It most likely says that there is no map, "
                "or that a key is missing."
            )
            return self._told(Finding.ONE_PICTURE, given, [told])
        if given.lie not in (None, Lie.AS_ASKED):
            why = f"pictures come, but neighbours do not fit together; they would with {given.lie}"
            return await self._mended(Finding.WRONG_WAY, given, why)
        return self._told(Finding.FITS, given, [_fitting(given)])

    async def _mended(self, finding: Finding, given: _Answered, why: str) -> AddressTrial:
        told = f"The address looks wrong: {why}."
        if not self.mend:
            return self._told(finding, given, [told])
        best: tuple[int, str, str, int, _Answered] | None = None
        for what, template, shift in self._slips(given.lie):
            found = await self._answers(template, shift)
            if not found.pictures or found.one_picture or found.lie not in (None, Lie.AS_ASKED):
                continue
            rank = (found.lie is Lie.AS_ASKED) * 100 + len(found.pictures)
            if best is None or rank > best[0]:
                best = rank, what, template, shift, found
            if found.lie is Lie.AS_ASKED:
                break
        if best is None:
            return self._told(
                finding, given, [told, "None of the likely slips mends it. Ask the server's owner."]
            )
        _, what, template, shift, found = best
        return self._told(finding, found, [told, self._advice(what, shift)], template, what, shift)

    def _slips(self, lie: Lie | None) -> list[tuple[str, str, int]]:
        slips = [(one.what, one.template, 0) for one in variants(self.template)]
        slips += [
            ("zooms numbered one higher", self.template, 1),
            ("zooms numbered one lower", self.template, -1),
        ]
        if lie is None:
            return slips
        likely = [
            slip for slip in slips if slip[0] == lie or (lie is Lie.FROM_BOTTOM and "from the top" in slip[0])
        ]
        return likely or slips

    def _advice(self, what: str, shift: int) -> str:
        if shift:
            return (
                f"With {what} it answers with pictures: the server's zoom {12 + shift} is zoom 12 here. Ask its owner "
                "for a TileJSON or WMTS address, which says so."
            )
        better = next((one.template for one in variants(self.written) if one.what == what), None)
        address = f": {shown(better)}" if better is not None else ""
        return f"With {what} it answers with pictures{address}"

    def _told(
        self,
        finding: Finding,
        found: _Answered,
        sentences: list[str],
        better: str | None = None,
        slip: str | None = None,
        shift: int = 0,
    ) -> AddressTrial:
        first = next(iter(found.pictures.values()), None)
        return AddressTrial(
            finding,
            better,
            slip,
            shift,
            first.kind if first else None,
            _side(first),
            found.lie,
            tuple((tile, one.data) for tile, one in found.pictures.items())[:_MOST_TILES],
            self.requests,
            tuple(sentences),
        )

    # ------------------------------------------------------------------------------------ asking

    async def _answers(self, template: str, shift: int) -> _Answered:
        """What comes by a template at the tiles; and, if anything, at the neighbours of the deepest that came."""
        found = _Answered({})
        for tile in self.tiles:
            await self._take(template, shift, tile, found)
            if self.obstacle is not None:
                return found
        for tile in list(found.pictures)[:-3:-1]:  # the deepest two: the first may be too flat to tell
            block = _block(tile)
            for one in block:
                if one not in found.pictures:
                    await self._take(template, shift, one, found)
            if all(one in found.pictures for one in block):
                found.lie = _lie([found.pictures[one].data for one in block])
                if found.lie is not None:
                    break
        return found

    async def _take(self, template: str, shift: int, tile: Tile, found: _Answered) -> None:
        self.requests += 1
        outcome = await self.ask(template, shift, tile)
        if isinstance(outcome, Stored):
            found.pictures[tile] = outcome
        elif template == self.template and not shift and not found.pictures:
            refused = isinstance(outcome, Refused) and outcome.status in (401, 403, 407, 418, 429, 451)
            if isinstance(outcome, LinkDown | SignIn | RetryAfter | Refused) and (
                refused or not isinstance(outcome, Refused)
            ):
                self.obstacle = outcome.reason


def _block(tile: Tile) -> tuple[Tile, ...]:
    """The four tiles round the corner in the middle of the tile's parent."""
    zoom, x, y = tile.zoom, tile.x & ~1, tile.y & ~1
    if zoom == 0:
        return (tile,)
    return Tile(zoom, x, y), Tile(zoom, x + 1, y), Tile(zoom, x, y + 1), Tile(zoom, x + 1, y + 1)


def _lie(bodies: list[bytes]) -> Lie | None:
    if len(bodies) != 4:
        return None
    try:
        return how_they_lie([bodies]).lie
    except Damaged:  # vector tiles have no edges to compare
        return None


def _side(one: Stored | None) -> int | None:
    if one is None:
        return None
    try:
        size = examine(one.data).size_px
    except Damaged:
        return None
    return size[0] if size else None


def _fitting(given: _Answered) -> str:
    if given.lie is Lie.AS_ASKED:
        return "The address answers with pictures, and neighbours fit together."
    return "The address answers with pictures. The ground there is too even to tell whether neighbours fit together."


async def zooms_that_answer(
    template: str, tile_of: Callable[[int], Tile], known: int, limits: tuple[int, int], ask: AskTile
) -> tuple[int, int]:
    """The first and last zoom that answer with a picture of their own at one place, found by halving.

    `known` is a zoom that does; zooms are taken to answer without gaps, and a picture that other zooms give as well
    counts as none. If cancelled: nothing is left behind.
    """
    seen: dict[bytes, int] = {}

    async def answers(zoom: int) -> bool:
        outcome = await ask(template, 0, tile_of(zoom))
        return isinstance(outcome, Stored) and seen.setdefault(outcome.data, zoom) == zoom

    await answers(known)
    ends = []
    for end in limits:
        good, bad = known, end
        if await answers(end):
            good = end
        while abs(good - bad) > 1 and good != end:
            middle = (good + bad) // 2
            if await answers(middle):
                good = middle
            else:
                bad = middle
        ends.append(good)
    return ends[0], ends[1]

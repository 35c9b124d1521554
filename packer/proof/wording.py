"""What a verify says beside its counts: why a pack is not ready, what to know of one that is, what was not
looked at."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime

from packer.common.units import counted
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.plan import AreaPlan, LayerPlan, Plan
from packer.planning.plan_remarks import namesake_remarks
from packer.planning.source_layers import source_name
from packer.proof.results import Depth, LayerFindings
from packer.store.one_picture import one_picture_on_board, one_picture_sentence
from packer.store.reader import TileReader
from packer.store.repeated_pictures import repeated_sentences, repeats_on_board

__all__ = ["not_checked", "reasons", "warnings"]

_SOON_DAYS = 30


def reasons(layers: Mapping[str, LayerFindings]) -> Iterator[str]:
    """Why the packs are not ready, a sentence each."""
    for name, layer in layers.items():
        if layer.source is not None:
            yield from _reasons(source_name(name), layer.source)
        yield from _reasons(name, layer)


def _reasons(name: str, layer: LayerFindings) -> Iterator[str]:
    if not layer.size_bytes:
        what = "no picture was taken in yet" if layer.own else "there is no pack yet"
        yield f"{name}: {what}."
    elif layer.counts.missing and layer.own:
        yield (
            f"{name}: {counted(layer.counts.missing, 'tile')} not cut yet. Take in the layer's pictures once more."
        )
    elif layer.counts.missing:
        yield f"{name}: {counted(layer.counts.missing, 'tile')} missing."
    if layer.counts.missing:
        yield from _lost(name, layer)
    if layer.counts.corrupt:
        yield f"{name}: {counted(layer.counts.corrupt, 'tile')} corrupt."
    for fault in layer.damage:
        yield f"{name}: SQLite finds damage in {fault}."
    if not layer.finished:
        yield f"{name}: {layer.bodies:,} of {layer.all_bodies:,} distinct tiles checked so far."
    if layer.outdated:
        were = "was" if len(layer.outdated) == 1 else "were"
        yield (
            f"{name}: {counted(len(layer.outdated), 'tile')} {were} made of other tiles than its source has now. The "
            "next lastbar fetch makes them again."
        )
    elif layer.counts.missing and layer.source is not None:
        yield f"{name}: its tiles are made by lastbar fetch, from those of its source."


def _lost(name: str, layer: LayerFindings) -> Iterator[str]:
    for path in layer.lost:
        yield (
            f"{name}: {path} is gone, one of the files of its pack. Put it back if you have it; otherwise the next "
            "lastbar fetch gets again what is missing."
        )


def warnings(brief: Brief, plan: Plan, layers: Mapping[str, LayerFindings], now: float) -> Iterator[str]:
    """What a crew should know even of packs that are ready, a sentence each."""
    yield from namesake_remarks(brief)
    # What may be blank, or not the map at all, stands first: a screen may have no room for all.
    for name, layer in layers.items():
        yield from _one_for_many(plan.layers[name], layer, brief.layers[name].over is not None)
    for name, layer in layers.items():
        if layer.blank:
            yield _blank(name, len(layer.blank))
        if layer.counts.absent and brief.layers[name].over is None:
            areas = [a for a in plan.layers[name].areas if a.tiles & layer.absent]
            where = _where(areas, layer.absent)
            who = "no picture shows" if layer.own else "the server does not have"
            yield f"{name}: {who} {counted(layer.counts.absent, 'tile')}{where}."
        if not layer.counts.missing:
            yield from _lost(name, layer)
        if layer.twice:
            yield (
                f"{name}: {counted(layer.twice, 'tile')} in two files of its pack, as when an older file was put back. "
                "The copy of the first of them is used; the next lastbar fetch removes the other."
            )
        partly = layer.partial & layer.stored
        if partly and brief.layers[name].over is None:
            what = "its source" if layer.source is not None else "a picture"
            yield f"{name}: {counted(len(partly), 'tile')} at the edge of {what}, shown in part."
        if layer.stale:
            oldest = f"; the oldest is from {day(layer.fetched[0])}" if layer.fetched else ""
            yield (
                f"{name}: {counted(len(layer.stale), 'tile')} may be out of date: past the server's expiry "
                f"time, or over a year old{oldest}."
            )
        yield from _licence(name, brief.layers[name].expires, now)
    for name, asked in plan.layers.items():
        cut = [area for area in asked.areas if area.unoffered]
        if beyond := TileSet.union(area.unoffered for area in cut):
            where = _where(cut, beyond)
            yield f"{name}: {counted(len(beyond), 'tile')} of its areas{where} outside what the server offers."


def _one_for_many(asked: LayerPlan, layer: LayerFindings, lies_over: bool) -> Iterator[str]:
    """Of a layer with the same picture at many places: of all of them, or of many in one area. One that `lies_over`
    another is see-through at many."""
    if not layer.counts.stored:
        return
    one = one_picture_on_board(TileReader(layer.pack), asked.tiles)
    if one is None and not lies_over:
        stored = {area.name: area.tiles & layer.stored for area in asked.areas}
        yield from repeated_sentences(asked.name, repeats_on_board(layer.pack, stored))
    elif one is not None and not one.everywhere:
        yield one_picture_sentence(asked.name, one)


def _where(among: list[AreaPlan], none: TileSet) -> str:
    areas, zooms = [a.name for a in among], none.zooms
    span = f"zoom {zooms[0]}" if len(zooms) == 1 else f"zooms {zooms[0]} to {zooms[-1]}"
    shown = ", ".join(areas[:3]) + (f" and {len(areas) - 3} more" if len(areas) > 3 else "")
    return f" ({span}, in {shown})" if areas else f" ({span})"


def _blank(name: str, tiles: int) -> str:
    are, they, them = ("is", "it counts", "it") if tiles == 1 else ("are", "they count", "them")
    return (
        f"{name}: {counted(tiles, 'stored tile')} {are} a picture that the brief names under blank, so {they} as not "
        f"on the server. The next lastbar fetch takes {them} out of the pack."
    )


def _licence(name: str, ends: date | None, now: float) -> Iterator[str]:
    if ends is None:
        return
    left = (ends - datetime.fromtimestamp(now).date()).days  # by the local day, as a fetch counts it
    if left < 0:
        yield f"{name}: the licence ended on {ends}; these tiles must no longer be used."
    elif left <= _SOON_DAYS:
        yield f"{name}: the licence ends on {ends}, in {left} day{'' if left == 1 else 's'}."


def not_checked(brief: Brief, depth: Depth, layers: Mapping[str, LayerFindings]) -> Iterator[str]:
    """What this depth leaves open, a sentence each."""
    if brief.part:
        number, count = brief.part
        yield (
            f"The other parts: this is part {number} of {count}, and all depths here are of its own tiles. Whether "
            "places along its edges reach their floors is open. Merge the parts, then verify the whole."
        )
    if depth is Depth.QUICK:
        looked = sum(la.bodies for la in layers.values())
        every = sum(la.all_bodies for la in layers.values())
        if looked < every:
            yield f"Only a sample was hashed: {looked:,} of {every:,} distinct tiles. Without --quick, all are."
        if any(la.unexamined for la in layers.values()):
            yield "SQLite's own check left out the largest table, which holds the tiles' bytes."
    for name, layer in layers.items():
        if not layer.finished and depth is not Depth.QUICK:
            yield f"{name}: {layer.all_bodies - layer.bodies:,} of {layer.all_bodies:,} distinct tiles."
    if depth is not Depth.FULL:
        yield (
            "Pictures were not decoded. Each passed the checks of its format when it arrived, and its unchanged hash "
            "shows that it is still the same. A PNG or WebP that its server made wrongly may pass. To decode them all "
            "as well: --full."
        )
    yield "Whether the pictures show the right ground, and how old they are. Look at them: lastbar view."


def day(seconds: float) -> str:
    """The date, in UTC, of a moment in seconds since 1970; a damaged pack may name any."""
    try:
        return datetime.fromtimestamp(seconds, UTC).date().isoformat()
    except (ValueError, OverflowError, OSError):
        return "an impossible date"

"""The text of `lastbar verify`: the verdict, the areas and what to know, on one screen; tables on request."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path

from packer.cli.area_lines import area_bars, area_states
from packer.cli.lines import marks_for, wrapped
from packer.cli.output import echo, echo_wrapped, table
from packer.common.shell import shell_command
from packer.common.units import counted, duration_text
from packer.geometry.tileset import TileSet
from packer.planning.brief_errors import quote_value
from packer.planning.plan import Plan
from packer.planning.source_layers import source_name
from packer.proof.depth_words import depth_lines
from packer.proof.results import Depth, LayerFindings, Verdict, VerifyReport
from packer.proof.walk import LineWalk, Stretch

__all__ = ["gap_text", "report_lines", "show_report"]

_WIDTH = 80
_SENTENCE = re.compile(r"(?<=[^.]\.) (?=[A-Z])")
_ROWS = 23  # and one for the prompt
_AREAS, _LEAST_AREAS, _MOST_BESIDE_FAULTS = 12, 4, 7
_LEAST_ROOM = 3  # lines of what was found, whatever else there is
_PICTURES = 2
_NAMED = 3  # tiles in one line
_SHOWN = 5
_GAPS, _GAPS_BY_ZOOM = 3, 8
_LOOKED = {
    Depth.QUICK: "a sample of {done:,} of {every:,} distinct tiles hashed",
    Depth.HASH: "{done:,} of {every:,} distinct tiles hashed",
    Depth.FULL: "{done:,} of {every:,} distinct tiles hashed and decoded",
}
_CAUTION = "Carry other means of navigation too: imagery is dated, the maps are for viewing."


def show_report(
    title: str, plan: Plan, found: VerifyReport, path: Path, store: Path | None, *, by_zoom: bool
) -> None:
    """Print what a verify found. `path` and `store` are those of the command, for the next one."""
    for line in report_lines(title, plan, found, path, store, by_zoom=by_zoom):
        echo(line)
    if by_zoom:
        _show_tables(found)


def report_lines(
    title: str, plan: Plan, found: VerifyReport, path: Path, store: Path | None, *, by_zoom: bool
) -> list[str]:
    """One screen of 24 rows, the last of them for the prompt; all there is to say `by_zoom`.

    What was found comes with the gravest first, as much of it as finds room.
    """
    areas = area_states(plan, found.depths)
    faulty = sum(not area.whole or area.floor is not None for area in areas)
    most = _AREAS if found.ready else min(max(faulty + 1, _LEAST_AREAS), _MOST_BESIDE_FAULTS)
    top = [title, *_verdict(found, path, store), ""]
    top += area_bars(areas, _WIDTH, most, marks_for(sys.stdout.encoding))
    top += [line for text in _counts(found) for line in wrapped(text, _WIDTH)]
    below = [*_not_checked(found, by_zoom), *([_CAUTION] if found.ready else [])]
    room = _ROWS - len(top) - len(below)
    return [*top, *_found(found, None if by_zoom else room), *below]


def _wrapped(text: str, first: str = "") -> None:
    echo_wrapped(text, first + "  ", first)


# ------------------------------------------------------------------------------------------------ the screen


def _verdict(found: VerifyReport, path: Path, store: Path | None) -> Iterator[str]:
    verdict = found.verdict
    if verdict is Verdict.NOT_READY:
        if found.wrong_ground:
            yield f"{verdict.value}: a layer does not show the ground that was planned. What to look at:"
            yield f"  {shell_command('view', path, store=store)}"
            return
        if not all(layer.sound for layer in found.layers.values()):
            yield f"{verdict.value}. Close the gaps, then verify again:"
            unsound = [name for name, layer in found.layers.items() if not layer.sound]
            if all(found.layers[name].own for name in unsound):
                yield f"  {shell_command('take-in', path, unsound[0], store=store)} FILE"
            else:
                yield f"  {shell_command('fetch', path, store=store)}"
            return
        yield from wrapped(
            f"{verdict.value}: places are less deep than their floor. Check the layer's address and how deep the "
            "server goes, or lower at-least in the brief. To ask the server once more:",
            _WIDTH,
        )
        yield f"  {shell_command('fetch', path, '--ask-absent-again', store=store)}"
        return
    if verdict is Verdict.UNFINISHED:
        yield f"{verdict.value}. No fault so far. To continue from here:"
        full = ["--full"] if found.depth is Depth.FULL else []
        yield f"  {shell_command('verify', path, *full, '--for', '60s', store=store)}"
        return
    absent = sum(la.counts.absent for la in found.layers.values())
    who = "the server does not have"
    if any(layer.own and layer.counts.absent for layer in found.layers.values()):
        who = "no server has and no picture shows"
    but = f", except {counted(absent, 'tile')} that {who}" if absent else ""
    intact = "intact" if found.depth is not Depth.QUICK else "intact as far as --quick checks"
    yield from wrapped(f"{verdict.value}: every planned tile is on board and {intact}{but}.", _WIDTH)


def _counts(found: VerifyReport) -> Iterator[str]:
    """What became of the planned tiles, and how far the packs were looked at."""
    counts = [layer.counts for layer in found.layers.values()]
    planned, stored, absent, missing, corrupt = (
        sum(getattr(one, name) for one in counts)
        for name in ("planned", "stored", "absent", "missing", "corrupt")
    )
    yield (
        f"{counted(planned, 'tile')} planned: {stored:,} on board, {absent:,} not on server, {missing:,} missing, "
        f"{corrupt:,} corrupt."
    )
    layers = found.layers.values()
    looked = _LOOKED[found.depth].format(
        done=sum(la.bodies for la in layers), every=sum(la.all_bodies for la in layers)
    )
    earlier = sum(layer.earlier for layer in layers)
    yield looked + (f", {earlier:,} of them in earlier checks that stopped early." if earlier else ".")
    for name, layer in found.with_sources():
        if layer.source is not None:
            yield _source_text(source_name(name), layer.source)
        for picture in layer.pictures[-_PICTURES:]:
            yield f"{name}: has tiles cut from {picture}."
        if len(layer.pictures) > _PICTURES:
            yield f"{name}: and from {len(layer.pictures) - _PICTURES} earlier pictures."
        if layer.note:
            yield f"{name}: {layer.note}"
        if layer.stray:
            yield f"{name}: {counted(layer.stray, 'row')} outside the tile grid, where no map program looks."


def _source_text(name: str, layer: LayerFindings) -> str:
    counts = layer.counts
    return (
        f"Made from {name}: {counted(counts.planned, 'tile')}, {counts.stored:,} on board, {counts.absent:,} not on "
        f"server, {counts.missing:,} missing, {counts.corrupt:,} corrupt; {layer.bodies:,} of {layer.all_bodies:,} "
        "distinct ones looked at."
    )


def _found(found: VerifyReport, room: int | None) -> list[str]:
    """What was found, in at most so many lines; None is without limit."""
    places, told = [*_gaps(found.walk), *_tiles(found)], [f"- {text}" for text in found.warnings]
    # Of a map that is ready the places are those that the server does not have; to know what is wrong is worth more.
    texts = [*told, *places] if found.ready else [*(f"- {text}" for text in found.reasons), *places, *told]
    if not texts:
        return []
    lines = ["Warnings:" if found.ready else "What was found:"]
    if found.ready and room is not None and sum(len(wrapped(text, _WIDTH)) for text in texts) >= room:
        # The beginning of each says more than the first of them at full length.
        lines, texts = (
            ["Warnings in short (in full: --by-zoom):"],
            [_SENTENCE.split(text)[0] for text in texts],
        )
    for number, text in enumerate(texts):
        more = wrapped(text, _WIDTH)
        rest = len(texts) - number
        if room is not None and len(lines) + len(more) + (rest > 1) > max(room, _LEAST_ROOM):
            return [*lines, f"- and {rest:,} more: --by-zoom shows all"]
        lines += more
    return lines


def _gaps(walks: tuple[LineWalk, ...]) -> Iterator[str]:
    """The longest gaps along the lines."""
    gaps = [(walk, gap) for walk in walks for gap in walk.gaps]
    for walk, gap in sorted(gaps, key=lambda pair: pair[1].from_m - pair[1].to_m)[:_GAPS]:
        yield f"- {_line_name(walk, walks)}, {gap_text(gap, walk.floor)}"
    if len(gaps) > _GAPS:
        yield f"- and {counted(len(gaps) - _GAPS, 'shorter gap')} along the route"


def _tiles(found: VerifyReport) -> Iterator[str]:
    """The first of the tiles that are missing or corrupt, by name."""
    for name, layer in found.with_sources():
        if layer.outdated:
            yield f"- {name}, to be made again {_first_tiles(layer.outdated)}"
        if layer.missing:
            yield f"- {name}, missing {_first_tiles(layer.missing)}"
        for bad in layer.bad[:_NAMED]:
            yield f"- {name}, corrupt {bad.tile}: {bad.kind}"
        if len(layer.bad) > _NAMED:
            yield f"- {name}: {len(layer.bad) - _NAMED:,} more corrupt"


def _first_tiles(tiles: TileSet) -> str:
    first = ", ".join(map(str, islice(tiles, _NAMED)))
    more = len(tiles) - _NAMED
    return first + (f" and {more:,} more" if more > 0 else "")


def _not_checked(found: VerifyReport, by_zoom: bool) -> list[str]:
    if by_zoom:
        return [
            "Not checked:",
            *(line for text in found.not_checked for line in wrapped(f"- {text}", _WIDTH)),
        ]
    first = " ".join(f"{text.split('. ')[0].rstrip('.')}." for text in found.not_checked)
    return wrapped(f"Not checked: {first}", _WIDTH)


# ------------------------------------------------------------------------------------------------ tables


def _show_tables(found: VerifyReport) -> None:
    echo()
    echo("How deep the map is on board:")
    for line in depth_lines(found.depths):
        _wrapped(line, "  ")
    for name, layer in found.with_sources():
        echo()
        looked = _LOOKED[found.depth].format(done=layer.bodies, every=layer.all_bodies)
        done = f"{looked}, in" if layer.size_bytes else "no pack yet at"
        _wrapped(f"Layer {name}: {done} {layer.pack}")
        _show_layer(layer)
    _show_walk(found.walk)


def _show_layer(layer: LayerFindings) -> None:
    heads = ["zoom", "planned", "stored", "not on server", "missing", "corrupt"]
    fields = ["planned", "stored", "absent", "missing", "corrupt"]
    rows = [[str(z), *(f"{getattr(c, f):,}" for f in fields)] for z, c in layer.by_zoom.items()]
    table(heads, rows, ["all", *(f"{getattr(layer.counts, f):,}" for f in fields)])


def _show_walk(walks: tuple[LineWalk, ...]) -> None:
    if not walks:
        return
    echo()
    echo("Along the route:")
    for one in walks:
        head = f"{_line_name(one, walks)}, {one.length_m / 1000:,.1f} km"
        if not one.gaps:
            asked = "as asked" if one.deepest == one.asked else f"of {one.asked} asked"
            _wrapped(f"{head}: complete to zoom {one.deepest} {asked}, no gap", "  ")
            continue
        _wrapped(f"{head}: zoom {one.asked} asked, with gaps", "  ")
        for gap in one.gaps[:_GAPS_BY_ZOOM]:
            _wrapped(gap_text(gap, one.floor), "    ")
        if len(one.gaps) > _GAPS_BY_ZOOM:
            echo(f"    and {counted(len(one.gaps) - _GAPS_BY_ZOOM, 'more gap')} (all: --walk FILE or --json)")
        for stop in one.stops[:_SHOWN]:
            _wrapped(
                f"waypoint {quote_value(stop.waypoint.name)} at km {stop.at_m / 1000:.1f} lies in a gap",
                "    ",
            )


def _line_name(walk: LineWalk, walks: Iterable[LineWalk]) -> str:
    many = len({one.line for one in walks if one.area == walk.area}) > 1
    return f"{walk.layer}, {walk.area}{f', line {walk.line}' if many else ''}"


def gap_text(gap: Stretch, floor: int | None = None) -> str:
    """One gap in words: where, how deep the map still goes, and what closing it takes; `floor` is the area's."""
    depth = "no zoom complete" if gap.complete_to is None else f"only to zoom {gap.complete_to}"
    if gap.held is not None and gap.held > (-1 if gap.complete_to is None else gap.complete_to):
        depth += f", deeper tiles to zoom {gap.held}"
    if floor is not None and (gap.held is None or gap.held < floor):
        depth += f", BELOW THE FLOOR, zoom {floor}"
    start = f"{gap.start[1]:.5f} {gap.start[0]:.5f}"
    told = [f"km {gap.from_m / 1000:.3f} to {gap.to_m / 1000:.3f} (from {start}): {depth}"]
    if gap.missing:
        time_text = f", about {duration_text(gap.seconds)} at the last speed" if gap.seconds else ""
        told.append(f"{counted(gap.missing, 'tile')} missing{time_text}")
    if gap.corrupt:
        told.append(f"{gap.corrupt:,} corrupt")
    if gap.absent:
        told.append(f"{gap.absent:,} not on the server")
    return "; ".join(told)

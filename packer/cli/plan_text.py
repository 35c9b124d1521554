"""The text of `lastbar plan`: the whole, the areas and likely mistakes on one screen; tables on request."""

from __future__ import annotations

from collections.abc import Iterator

from packer.cli.crew_text import show_crews
from packer.cli.lines import shortened
from packer.cli.output import echo, echo_wrapped, table
from packer.cli.worked_plan import WorkedPlan
from packer.common.units import bytes_text, counted, duration_text
from packer.geometry.grid import metres_per_pixel
from packer.geometry.position_text import decimal_text
from packer.planning.brief import OVERVIEW
from packer.planning.plan import LayerPlan, Plan
from packer.planning.whereabouts import AreaPlace, places
from packer.survey.estimate import OVERHEAD, Bytes, LayerEstimate
from packer.survey.tradeoffs import RANKING, Figures, Fit

__all__ = ["show_plan"]

_WIDTH = 80
_LONGEST_NAME_OF_PLACE = 16  # beside depth, size, degrees and MGRS
_LONGEST_NAME = 26
_MOST_PLACES = 10  # areas with their positions; more would push the rest off the screen
_MOST_APART, _MOST_FILES = 2, 4
_TOUCHES_M = 500.0  # outlines are compared at some of their places only
# What can be made out, by ground metres a pixel: common practice, no source.
_SEEN = (
    (0.45, "single bushes, footpaths"),
    (0.9, "cars, single trees"),
    (1.8, "houses, tracks"),
    (3.6, "large buildings, tracks"),
    (7.2, "roads, fields, streams"),
    (15.0, "main roads, field blocks"),
    (40.0, "villages, rivers"),
    (150.0, "towns, valleys"),
    (1000.0, "ranges, large lakes"),
)
_SEEN_FROM_AFAR = "countries, coasts"
_BASES = {
    "stored": "exact, every tile is on board",
    "survey": "estimated from the samples of a survey",
    "sample": "estimated from a few stored tiles, not evenly spread; lastbar survey gives a better estimate",
    "guess": "rough guess from typical tile sizes; the truth may be a third to three times this. "
    "lastbar survey gives a better estimate",
}
_BOUND = "Sizes and times here are the upper ends of their ranges, which hold nine times in ten."
_BOUND_OF_GUESS = (
    "Sizes and times here are the upper ends of rough guesses, three times what is typical, since no tile was sampled "
    "yet. lastbar survey narrows them, and less may have to go."
)


_SHORT_BASES = {
    "sample": "Sizes: estimated from a few stored tiles; lastbar survey gives a better estimate.",
    "guess": "Sizes: rough guess, a third to three times that; lastbar survey gives better.",
}


def show_plan(worked: WorkedPlan, *, by_zoom: bool = False) -> None:
    """Print the plan: the whole, where, the areas and likely mistakes; the tables of each layer `by_zoom`."""
    echo(worked.brief.title)
    _show_whole(worked)
    _show_areas(worked)
    show_crews(worked.crews)
    for warning in worked.warnings:
        _wrapped(f"Likely a mistake: {warning}", "  ")
    if worked.fit is not None:
        echo()
        _show_fit(worked.fit, worked.estimate.bytes.basis)
    if by_zoom:
        _show_tables(worked)


def _show_areas(worked: WorkedPlan) -> None:
    """A row for each area: how deep, how large, where; and then which files they are from."""
    found = places(worked.plan)
    rows = [
        [
            _short(one.name, _LONGEST_NAME_OF_PLACE),
            _depth(one.name, worked.plan),
            _size(one.name, worked),
            decimal_text(one.lon, one.lat, 4),
            one.mgrs.replace(" ", ""),
        ]
        for one in found[:_MOST_PLACES]
    ]
    if worked.brief.overview:
        rows.append([OVERVIEW, _depth(OVERVIEW, worked.plan), _size(OVERVIEW, worked), "", ""])
    table(["area", "zoom", "size", "middle", "MGRS"], rows)
    if (more := len(found) - _MOST_PLACES) > 0:
        echo(f"  and {counted(more, 'more area')}; --json has all of them")
    for line in _apart(found):
        _wrapped(line, "  ")
    files = [f"{area} takes {source.counts}" for area, source in worked.plan.sources.items()]
    if files:
        more_files = [f"{len(files) - _MOST_FILES:,} more"] if len(files) > _MOST_FILES else []
        _wrapped(f"Files: {'; '.join([*files[:_MOST_FILES], *more_files])}.", "  ")


def _depth(area: str, worked_out: Plan) -> str:
    """The deepest zoom of an area, or the least and the most if its layers differ."""
    zooms = {
        a.deepest for layer in worked_out.layers.values() for a in layer.areas if a.name == area and a.tiles
    }
    return " or ".join(str(z) for z in sorted({min(zooms), max(zooms)})) if zooms else "none"


def _size(area: str, worked: WorkedPlan) -> str:
    return bytes_text(worked.areas[area].expected) if area in worked.areas else "-"


def _apart(found: list[AreaPlace]) -> Iterator[str]:
    """Which areas lie apart from all others, and how far; or that none does."""
    far = [one for one in found if one.nearest_m is not None and one.nearest_m >= _TOUCHES_M]
    if not far:
        if len(found) > 1:
            yield "Each area touches or overlaps another."
        return
    named = [
        f"{one.name} ({(one.nearest_m or 0) / 1000:,.0f} km to {one.nearest})" for one in far[:_MOST_APART]
    ]
    more = [f"{len(far) - _MOST_APART:,} more"] if len(far) > _MOST_APART else []
    yield f"Apart from all others: {', '.join([*named, *more])}."


# ------------------------------------------------------------------------------------------------ tables


def _show_tables(worked: WorkedPlan) -> None:
    for name, layer in worked.plan.layers.items():
        echo()
        echo(f"Layer {name}: {counted(len(layer.tiles), 'tile')}")
        if layer.tiles:
            _show_layer(layer, worked.estimate.layers[name], worked.plan)
    if features := [f"{area}: {source}." for area, source in worked.plan.sources.items() if str(source)]:
        echo()
        for line in features:
            _wrapped(f"Area {line}", "  ")


def _show_layer(asked: LayerPlan, weighed: LayerEstimate, worked_out: Plan) -> None:
    rows = [
        [str(zoom), f"{one.tiles:,}", f"{one.held:,}", *_bytes_cells(one.bytes)]
        for zoom, one in weighed.zooms.items()
    ]
    foot = ["all", f"{weighed.count('tiles'):,}", f"{weighed.count('held'):,}", *_bytes_cells(weighed.bytes)]
    table(["zoom", "tiles", "on board", "size", "range (90 %)"], rows, foot)
    _wrapped(f"  size: {_BASES[weighed.bytes.basis]}.")
    echo()
    areas = []
    for area in asked.areas:
        metres = metres_per_pixel(area.deepest, _latitude(area.name, worked_out), asked.tile_px)
        floor = "-" if area.floor is None else str(area.floor)
        cells = [str(area.deepest), floor, f"{len(area.tiles):,}", _ground(metres), _seen(metres)]
        areas.append([_short(area.name), *cells])
    table(["area", "zoom", "floor", "tiles", "per pixel", "shows"], areas)
    if len(areas) > 1:
        _wrapped("  Tiles that areas share count in each of them.")


def _bytes_cells(size: Bytes) -> list[str]:
    if size.low == size.high:
        return [bytes_text(size.expected), ""]
    return [bytes_text(size.expected), f"{bytes_text(size.low)} to {bytes_text(size.high)}"]


def _latitude(area: str, worked_out: Plan) -> float:
    return worked_out.middle[1] if area == OVERVIEW else worked_out.shapes[area].middle[1]


def _seen(metres: float) -> str:
    return next((what for most, what in _SEEN if metres <= most), _SEEN_FROM_AFAR)


def _short(name: str, longest: int = _LONGEST_NAME) -> str:
    return shortened(name, longest)


def _ground(metres: float) -> str:
    if metres >= 1000:
        return f"{metres / 1000:.1f} km"
    return f"{metres:.0f} m" if metres >= 10 else f"{metres:.2f} m"


def _show_whole(worked: WorkedPlan) -> None:
    found, rest = worked.estimate, worked.estimate.to_fetch
    asked = sum(one.count("tiles") for one in found.layers.values() if one.to_make is None)
    made = sum(one.count("tiles") for one in found.layers.values() if one.to_make is not None)
    held = asked - found.missing
    done = f", {held:,} of them done (on board, or not on the server)" if held else ""
    also = f" and {made:,} made from them" if made else ""
    _wrapped(f"All layers: {counted(asked, 'tile')}{also}{done}; {_between(found.bytes)}.")
    if found.missing:
        _show_need(worked, rest)
    west, south, east, north = worked.plan.bounds
    echo(f"Where: {decimal_text(west, south)} to {decimal_text(east, north)}")


def _show_need(worked: WorkedPlan, rest: Bytes) -> None:
    """What is still to come: how sure its size is, and what of disk and time it takes."""
    if rest.basis in _SHORT_BASES:
        _wrapped(_SHORT_BASES[rest.basis])
    disk = worked.estimate.disk
    need = disk._replace(**{n: getattr(disk, n) * OVERHEAD for n in ("expected", "low", "high")})
    _wrapped(f"Disk: {_between(need)} more; {bytes_text(worked.free_bytes)} free in {worked.store}.")
    if need.expected > worked.free_bytes:
        _wrapped(
            "That does not fit on this disk. Free some space, or see what to leave out: lastbar plan --fit"
        )
    elif need.high > worked.free_bytes:
        _wrapped("The disk may be too small: the upper end of the range does not fit.")
    if worked.estimate.requests < worked.estimate.missing:
        asked = counted(worked.estimate.requests, "request")
        _wrapped(f"Requests: {asked} for {counted(worked.estimate.missing, 'tile')}, in blocks.")
    if worked.speed is None:
        _wrapped("Time: not known without a speed: give it (--speed 3Mbit) or --measure it.")
        return
    sizes = (rest.low, rest.expected, rest.high)
    low, expected, high = (duration_text(worked.seconds(size) or 0.0) for size in sizes)
    between = "" if low == high else f" ({low} to {high})"
    _wrapped(
        f"Time: {expected}{between} at "
        f"{worked.speed.bits_per_second / 1e6:.3g} Mbit/s ({worked.speed.basis}), if the speed holds."
    )


def _between(size: Bytes) -> str:
    if size.low == size.high:
        return bytes_text(size.expected)
    return f"about {bytes_text(size.expected)} ({bytes_text(size.low)} to {bytes_text(size.high)})"


def _show_fit(found: Fit, basis: str) -> None:
    wanted = found.target
    goal = bytes_text(wanted.disk_bytes or 0) if wanted.seconds is None else duration_text(wanted.seconds)
    if found.reached and not found.changes:
        echo(f"It fits {goal} as it is: at most {_figures_text(found.before)}.")
        return
    echo(f"To fit {goal}, change the brief as follows. The brief is not changed yet.")
    _wrapped(_BOUND_OF_GUESS if basis == "guess" else _BOUND)
    _wrapped(RANKING)
    for number, change in enumerate(found.changes, 1):
        echo()
        _wrapped(f"{number}. {change.words}")
        for edit in change.edits:
            _wrapped(f"     {_short(edit.area)}: {edit}", "       ")
        _wrapped(f"   saves {_figures_text(change.saves)}")
    echo()
    _wrapped(f"Now: {_figures_text(found.before)}. Then: {_figures_text(found.after)}.")
    if not found.reached:
        _wrapped(f"Even then it does not fit {goal}. Allow more, or plan for a smaller area.")


def _figures_text(figures: Figures) -> str:
    time = f", {duration_text(figures.seconds)}" if figures.seconds else ""
    return f"{counted(figures.tiles, 'tile')}, {bytes_text(figures.bytes)}{time}"


def _wrapped(text: str, then: str | None = None) -> None:
    indent = " " * (len(text) - len(text.lstrip())) if then is None else then
    echo_wrapped(text, indent)

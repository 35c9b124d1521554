"""The text of `lastbar plan`: tables by zoom and area, then the whole, likely mistakes and what to leave out."""

from __future__ import annotations

import textwrap

from packer.cli.crew_text import show_crews
from packer.cli.output import echo, table
from packer.cli.worked_plan import WorkedPlan
from packer.common.units import bytes_text, counted, duration_text
from packer.geometry.grid import metres_per_pixel
from packer.geometry.position_text import decimal_text
from packer.planning.brief import OVERVIEW
from packer.planning.plan import LayerPlan, Plan
from packer.planning.whereabouts import places
from packer.survey.estimate import OVERHEAD, Bytes, LayerEstimate
from packer.survey.tradeoffs import RANKING, Figures, Fit

__all__ = ["show_plan"]

_WIDTH = 80
_LONGEST_NAME_OF_PLACE = 16  # beside degrees, MGRS and a distance
_LONGEST_NAME = 26
_MOST_PLACES = 8  # areas with their positions; more would push the rest off the screen
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


def show_plan(worked: WorkedPlan) -> None:
    """Print the plan."""
    echo(worked.brief.title)
    _show_where(worked.plan)
    for name, layer in worked.plan.layers.items():
        echo()
        echo(f"Layer {name}: {counted(len(layer.tiles), 'tile')}")
        if layer.tiles:
            _show_layer(layer, worked.estimate.layers[name], worked.plan)
    if features := [f"{area}: {source}." for area, source in worked.plan.sources.items() if str(source)]:
        echo()
        for line in features:
            _wrapped(f"Area {line}", "  ")
    echo()
    _show_whole(worked)
    show_crews(worked.crews)
    for warning in worked.warnings:
        echo()
        _wrapped(f"Likely a mistake: {warning}")
    if worked.fit is not None:
        echo()
        _show_fit(worked.fit, worked.estimate.bytes.basis)


def _show_where(worked_out: Plan) -> None:
    west, south, east, north = worked_out.bounds
    echo(f"Where: {decimal_text(west, south)} to {decimal_text(east, north)}")
    found = places(worked_out)
    rows = [
        [
            _short(one.name, _LONGEST_NAME_OF_PLACE),
            one.text,
            one.mgrs,
            "" if one.nearest_m is None else f"{one.nearest_m / 1000:,.0f} km",
        ]
        for one in found[:_MOST_PLACES]
    ]
    table(["area, its middle", "degrees", "MGRS", "next area"], rows)
    if (more := len(found) - _MOST_PLACES) > 0:
        echo(f"  and {counted(more, 'more area')}; --json has all of them")


def _show_layer(asked: LayerPlan, weighed: LayerEstimate, worked_out: Plan) -> None:
    rows = [
        [str(zoom), f"{one.tiles:,}", f"{one.held:,}", *_bytes_cells(one.bytes)]
        for zoom, one in weighed.zooms.items()
    ]
    foot = ["all", f"{weighed.count('tiles'):,}", f"{weighed.count('held'):,}", *_bytes_cells(weighed.bytes)]
    table(["zoom", "tiles", "on board", "size", "range (90 %)"], rows, foot)
    _wrapped(f"  size: {_BASES[weighed.bytes.basis]}")
    echo()
    areas = []
    for area in asked.areas:
        metres = metres_per_pixel(area.deepest, _latitude(area.name, worked_out), asked.tile_px)
        areas.append(
            [_short(area.name), f"to {area.deepest}", f"{len(area.tiles):,}", _ground(metres), _seen(metres)]
        )
    table(["area (tiles may be shared)", "zoom", "tiles", "per pixel", "shows"], areas)


def _bytes_cells(size: Bytes) -> list[str]:
    if size.low == size.high:
        return [bytes_text(size.expected), ""]
    return [bytes_text(size.expected), f"{bytes_text(size.low)} to {bytes_text(size.high)}"]


def _latitude(area: str, worked_out: Plan) -> float:
    return worked_out.middle[1] if area == OVERVIEW else worked_out.shapes[area].middle[1]


def _seen(metres: float) -> str:
    return next((what for most, what in _SEEN if metres <= most), _SEEN_FROM_AFAR)


def _short(name: str, longest: int = _LONGEST_NAME) -> str:
    return name if len(name) <= longest else name[: longest - 1] + "…"


def _ground(metres: float) -> str:
    if metres >= 1000:
        return f"{metres / 1000:.1f} km"
    return f"{metres:.0f} m" if metres >= 10 else f"{metres:.2f} m"


def _show_whole(worked: WorkedPlan) -> None:
    found, rest = worked.estimate, worked.estimate.to_fetch
    held = worked.plan.count - found.missing
    done = f", {held:,} of them done (on board, or not on the server)" if held else ""
    _wrapped(f"All layers: {counted(worked.plan.count, 'tile')}{done}; {_between(found.bytes)}.")
    if not found.missing:
        return
    need = rest._replace(**{n: getattr(rest, n) * OVERHEAD for n in ("expected", "low", "high")})
    _wrapped(f"Disk: {_between(need)} more; {bytes_text(worked.free_bytes)} free in {worked.store}.")
    if need.expected > worked.free_bytes:
        _wrapped(
            "That does not fit on this disk. Free some space, or see what to leave out: lastbar plan --fit"
        )
    elif need.high > worked.free_bytes:
        _wrapped("The disk may be too small: the upper end of the range does not fit.")
    if worked.speed is None:
        _wrapped("Time: not known without a speed. Give it (--speed 3Mbit), or measure it (--measure).")
        return
    low, expected, high = (worked.seconds(size) or 0.0 for size in (rest.low, rest.expected, rest.high))
    _wrapped(
        f"Time: {duration_text(expected)} ({duration_text(low)} to {duration_text(high)}) at "
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
    for line in textwrap.wrap(
        text, _WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    ):
        echo(line)

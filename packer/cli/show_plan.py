"""`lastbar plan`: which tiles the brief asks for, their size and time, and what could be left out."""

from __future__ import annotations

import asyncio
import os
import shutil
import sys
import textwrap
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from packer.cli.briefs import brief_with_fresh_offers, brief_with_offers
from packer.cli.output import echo, print_json, table, warn
from packer.common.units import bits_per_second, bytes_text, counted, duration_text, seconds, size_bytes
from packer.errors import InputError, StoreError
from packer.geometry.grid import metres_per_pixel
from packer.planning.brief import OVERVIEW, Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import LayerPlan, Plan, plan
from packer.planning.terms import preview_terms
from packer.sources.address import variables
from packer.survey.estimate import (
    OVERHEAD,
    Bytes,
    Estimate,
    LayerEstimate,
    LayerSizes,
    combined,
    estimate_layer,
    last_speed,
    layer_sizes,
    seconds_for,
)
from packer.survey.record import read_record
from packer.survey.speed import AssumedSpeed
from packer.survey.tradeoffs import RANKING, Figures, Fit, Target, fit, warnings

__all__ = ["plan_json", "run"]

_WIDTH = 80
_LONGEST_NAME = 26
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


@dataclass(frozen=True, slots=True)
class _Worked:
    """All that is shown of a plan."""

    brief: Brief
    plan: Plan
    estimate: Estimate
    store: Path
    free_bytes: int
    speed: AssumedSpeed | None
    warnings: list[str]
    fit: Fit | None

    def seconds(self, size: float) -> float | None:
        """Time to fetch what is missing if it weighs `size` bytes; None without a speed."""
        if self.speed is None:
            return None
        return seconds_for(self.brief, self.estimate.layers, size, self.speed)


def run(
    path: Path,
    listed: bool,
    store: Path | None,
    as_json: bool,
    speed: str | None = None,
    measured: bool = False,
    fit_to: str | None = None,
) -> int:
    """Show the plan of the brief at `path`."""
    given = _speed(speed)
    target = _target(fit_to)
    brief = (brief_with_fresh_offers if measured else brief_with_offers)(path, store)
    worked_out = plan(brief)
    remarks = [*worked_out.remarks, *preview_terms(brief, worked_out, date.today())]
    if listed:
        _list(worked_out)
    else:
        pace = _measured(brief, worked_out, store) if measured else None
        if measured and pace is None:
            warn("The speed was not measured: too few tiles came, or too few are missing.")
        worked = _work(brief, worked_out, store, given or pace, target)
        if as_json:
            print_json(plan_json(brief, worked_out, remarks) | _weights_json(worked))
        else:
            _show(worked)
    for remark in (*remarks, *_unset(brief)):
        warn(f"Note: {remark}")
    return 0


def _speed(text: str | None) -> AssumedSpeed | None:
    try:
        return None if text is None else AssumedSpeed(bits_per_second(text), "given")
    except ValueError as fault:
        raise InputError(f"--speed {text}: {fault}.") from None


def _target(text: str | None) -> Target | None:
    if text is None:
        return None
    try:
        return Target(seconds=seconds(text))
    except ValueError:
        pass
    try:
        return Target(disk_bytes=size_bytes(text))
    except ValueError:
        raise InputError(
            f'--fit {text}: it should be a time for the fetch, for example "2h", or a size on disk, "8GB".'
        ) from None


def _measured(brief: Brief, worked_out: Plan, store: Path | None) -> AssumedSpeed | None:
    from packer.survey.pace import measure  # the fetch loads only where it is needed

    return asyncio.run(measure(brief, worked_out, store))


def _work(
    brief: Brief, worked_out: Plan, store: Path | None, speed: AssumedSpeed | None, target: Target | None
) -> _Worked:
    sizes, last = _known(brief, worked_out, store)
    speed = speed or last
    if target is not None and target.seconds is not None and speed is None:
        raise InputError(
            "To fit a time, give the speed of the link (--speed 3Mbit), or measure it (--measure)."
        )
    layers = {name: estimate_layer(la.tiles, sizes[name]) for name, la in worked_out.layers.items()}
    proposals = None
    if target is not None:
        surveyed = {
            name: read_record(pack_path(brief, name, store), layer).worth_to
            for name, layer in brief.layers.items()
        }
        proposals = fit(brief, worked_out, sizes, surveyed, target, speed)
    folder = store or brief.store_folder
    return _Worked(
        brief,
        worked_out,
        combined(layers),
        folder,
        _free_bytes(folder),
        speed,
        warnings(brief, worked_out),
        proposals,
    )


def _known(
    brief: Brief, worked_out: Plan, store: Path | None
) -> tuple[dict[str, LayerSizes], AssumedSpeed | None]:
    """What the packs show; the plan is shown even if a pack cannot be read."""
    sizes, speed = {name: LayerSizes() for name in worked_out.layers}, None
    try:
        for name, layer in worked_out.layers.items():
            sizes[name] = layer_sizes(brief.layers[name], layer, pack_path(brief, name, store))
        speed = last_speed(brief, store)
    except StoreError as fault:
        warn(f"Note: {fault}")
    return sizes, speed


def _free_bytes(folder: Path) -> int:
    there = next(p for p in (folder.absolute(), *folder.absolute().parents) if p.is_dir())
    return shutil.disk_usage(there).free


def plan_json(brief: Brief, worked_out: Plan, remarks: list[str]) -> dict[str, Any]:
    """The plan as one document, with notes on it. It has no address and no key in it."""
    return {
        "title": brief.title,
        "tiles": worked_out.count,
        "rule": worked_out.rule,
        "fingerprint": worked_out.fingerprint,
        "bounds": list(worked_out.bounds),
        "remarks": remarks,
        "layers": {name: _layer_json(layer) for name, layer in worked_out.layers.items()},
    }


def _layer_json(layer: LayerPlan) -> dict[str, Any]:
    return {
        "tiles": len(layer.tiles),
        "by_zoom": {str(zoom): n for zoom, n in layer.tiles.by_zoom().items()},
        "areas": {area.name: {"deepest": area.deepest, "tiles": len(area.tiles)} for area in layer.areas},
    }


def _weights_json(worked: _Worked) -> dict[str, Any]:
    found = worked.estimate
    latitude = worked.plan.middle[1]
    return {
        "layers": {
            name: _layer_json(asked) | _layer_weights_json(found.layers[name], latitude, asked.tile_px)
            for name, asked in worked.plan.layers.items()
        },
        "bytes": found.bytes.to_dict(),
        "to_fetch": {"tiles": found.missing, "bytes": found.to_fetch.to_dict()},
        "disk": {"needed": round(found.to_fetch.expected * OVERHEAD), "free": worked.free_bytes},
        "time": _time_json(worked),
        "warnings": worked.warnings,
        "fit": None if worked.fit is None else _fit_json(worked.fit),
    }


def _layer_weights_json(layer: LayerEstimate, latitude: float, tile_px: int) -> dict[str, Any]:
    return {
        "stored": layer.count("held"),
        "absent": layer.count("absent"),
        "bytes": layer.bytes.to_dict(),
        "zooms": {
            str(zoom): {
                "tiles": one.tiles,
                "stored": one.held,
                "absent": one.absent,
                "bytes": one.bytes.to_dict(),
                "metres_per_pixel": round(metres_per_pixel(zoom, latitude, tile_px), 3),
            }
            for zoom, one in layer.zooms.items()
        },
    }


def _time_json(worked: _Worked) -> dict[str, Any] | None:
    if worked.speed is None:
        return None
    size = worked.estimate.to_fetch
    return {
        **{
            name: round(worked.seconds(getattr(size, name)) or 0.0, 1) for name in ("expected", "low", "high")
        },
        "bits_per_second": round(worked.speed.bits_per_second),
        "basis": worked.speed.basis,
    }


def _fit_json(found: Fit) -> dict[str, Any]:
    return {
        "reached": found.reached,
        "before": _figures_json(found.before),
        "after": _figures_json(found.after),
        "changes": [
            {
                "change": change.words,
                "edits": [f"{edit.area}: {edit}" for edit in change.edits],
                "saves": _figures_json(change.saves),
            }
            for change in found.changes
        ],
    }


def _figures_json(figures: Figures) -> dict[str, Any]:
    return {
        "tiles": figures.tiles,
        "bytes": round(figures.bytes),
        "seconds": None if figures.seconds is None else round(figures.seconds, 1),
    }


def _list(worked_out: Plan) -> None:
    for name, layer in worked_out.layers.items():
        for zoom, row, first, last in layer.tiles.runs():
            sys.stdout.writelines(f"{name} {zoom}/{x}/{row}\n" for x in range(first, last + 1))


def _show(worked: _Worked) -> None:
    echo(worked.brief.title)
    for name, layer in worked.plan.layers.items():
        echo()
        echo(f"Layer {name}: {counted(len(layer.tiles), 'tile')}")
        if layer.tiles:
            _show_layer(layer, worked.estimate.layers[name], worked.plan)
    echo()
    _show_whole(worked)
    for warning in worked.warnings:
        echo()
        _wrapped(f"Likely a mistake: {warning}")
    if worked.fit is not None:
        echo()
        _show_fit(worked.fit)


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


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


def _ground(metres: float) -> str:
    if metres >= 1000:
        return f"{metres / 1000:.1f} km"
    return f"{metres:.0f} m" if metres >= 10 else f"{metres:.2f} m"


def _show_whole(worked: _Worked) -> None:
    found, rest = worked.estimate, worked.estimate.to_fetch
    held = worked.plan.count - found.missing
    settled = f", {held:,} of them done (on board, or not on the server)" if held else ""
    _wrapped(f"All layers: {counted(worked.plan.count, 'tile')}{settled}; {_between(found.bytes)}.")
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


def _show_fit(found: Fit) -> None:
    wanted = found.target
    goal = bytes_text(wanted.disk_bytes or 0) if wanted.seconds is None else duration_text(wanted.seconds)
    if found.reached and not found.changes:
        echo(f"It fits {goal} as it is: at most {_figures_text(found.before)}.")
        return
    echo(f"To fit {goal}, change the brief as follows. The brief is not changed yet.")
    _wrapped("Sizes and times here are the upper ends of their ranges, which hold nine times in ten.")
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


def _unset(brief: Brief) -> list[str]:
    asked = {v for la in brief.layers.values() for text in la.keyed for v in variables(text)}
    return [
        f"The environment variable {name} is not set, but the fetch needs it."
        for name in sorted(asked)
        if not os.environ.get(name)
    ]

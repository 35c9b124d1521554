"""`lastbar plan`: which tiles the brief asks for, their size and time, and what could be left out."""

from __future__ import annotations

import asyncio
import shutil
import sys
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from packer.cli.briefs import brief_with_fresh_offers, brief_with_offers
from packer.cli.fetch_changes import changes_json, warn_of_changes
from packer.cli.key_notes import key_notes
from packer.cli.output import print_json, warn
from packer.cli.plan_json import plan_json, sizes_json
from packer.cli.plan_text import show_plan
from packer.cli.worked_plan import WorkedPlan
from packer.common.places import nearest_folder
from packer.common.units import bits_per_second
from packer.errors import InputError, StoreError
from packer.planning.brief import Brief
from packer.planning.pack_path import SOURCE, pack_path
from packer.planning.plan import Plan, plan
from packer.planning.source_layers import asked_of_servers, source_remarks, with_source_layers
from packer.planning.terms import preview_terms
from packer.survey.crew_sizes import crew_sizes
from packer.survey.estimate import (
    Bytes,
    LayerSizes,
    combined,
    estimate_layer,
    estimate_layers,
    last_speed,
    layer_sizes,
    total,
)
from packer.survey.plan_warnings import warnings
from packer.survey.record import read_record
from packer.survey.speed import AssumedSpeed
from packer.survey.tradeoffs import Target, fit

if TYPE_CHECKING:
    from packer.fetching.transports import TransportName

__all__ = ["run"]


def run(
    path: Path,
    listed: bool,
    store: Path | None,
    as_json: bool,
    speed: str | None = None,
    measured: bool = False,
    fit_to: str | None = None,
    transport: TransportName | None = None,
    by_zoom: bool = False,
) -> int:
    """Show the plan of the brief at `path`, `by_zoom` with its tables."""
    if listed and as_json:
        raise InputError(
            "--list prints a line for each tile, and --json one document. Choose one of the two."
        )
    given = _speed(speed)
    target = _target(fit_to)
    brief = (brief_with_fresh_offers if measured else brief_with_offers)(path, store, transport)
    worked_out = plan(brief)
    asked = asked_of_servers(brief, worked_out)
    remarks = [*worked_out.remarks, *source_remarks(brief, worked_out), *preview_terms(*asked, date.today())]
    if listed:
        _list(worked_out)
    else:
        pace = _measured(brief, worked_out, store, transport) if measured else None
        if measured and pace is None:
            warn("The speed was not measured: too few tiles came, or too few are missing.")
        worked = _work(brief, worked_out, store, given or pace, target)
        if as_json:
            told = plan_json(brief, worked_out, remarks) | sizes_json(worked)
            print_json(told | changes_json(brief, worked_out, store))
        else:
            show_plan(worked, by_zoom=by_zoom)
            warn_of_changes(brief, worked_out, store)
    for remark in (*remarks, *key_notes(brief, worked_out)):
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
        return Target.of(text)
    except ValueError:
        raise InputError(
            f'--fit {text}: it should be a time for the fetch, for example "2h", or a size on disk, "8GB".'
        ) from None


def _measured(
    brief: Brief, worked_out: Plan, store: Path | None, transport: TransportName | None
) -> AssumedSpeed | None:
    from packer.survey.pace import measure  # the fetch loads only where it is needed

    return asyncio.run(measure(brief, worked_out, store, transport=transport))


def _work(
    brief: Brief, worked_out: Plan, store: Path | None, speed: AssumedSpeed | None, target: Target | None
) -> WorkedPlan:
    wide_brief, wide_plan = with_source_layers(brief, worked_out)
    sizes, last = _known(wide_brief, wide_plan, store)
    speed = speed or last
    if target is not None and target.seconds is not None and speed is None:
        raise InputError(
            "To fit a time, give the speed of the link (--speed 3Mbit), or measure it (--measure)."
        )
    layers = estimate_layers(wide_brief, wide_plan, sizes)
    proposals = None
    if target is not None:
        surveyed = {
            name: read_record(pack_path(brief, name, store), layer).worth_to
            for name, layer in brief.layers.items()
        }
        proposals = fit(brief, worked_out, sizes, surveyed, target, speed)
    folder = store or brief.store_folder
    return WorkedPlan(
        wide_brief,
        worked_out,
        combined(layers),
        folder,
        _free_bytes(folder),
        speed,
        warnings(brief, worked_out),
        proposals,
        _area_sizes(wide_plan, sizes),
        crew_sizes(brief, worked_out, sizes),
    )


def _area_sizes(worked_out: Plan, sizes: Mapping[str, LayerSizes]) -> dict[str, Bytes]:
    found: dict[str, list[Bytes]] = {}
    for name, layer in worked_out.layers.items():
        for area in layer.areas:
            found.setdefault(area.name.removesuffix(SOURCE), []).append(
                estimate_layer(area.tiles, sizes[name]).bytes
            )
    return {name: total(each) for name, each in found.items()}


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
    return shutil.disk_usage(nearest_folder(folder)).free


def _list(worked_out: Plan) -> None:
    for name, layer in worked_out.layers.items():
        for zoom, row, first, last in layer.tiles.runs():
            sys.stdout.writelines(f"{name} {zoom}/{x}/{row}\n" for x in range(first, last + 1))

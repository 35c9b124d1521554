"""A fetch as the desk orders it, and how it is carried out: the same in the desk's process and in one of its own."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from packer.desk.hands_shown import HandsSeen
from packer.errors import InputError, StoreBusyError
from packer.fetching.hands.host import Hands
from packer.fetching.hosts.layer_keys import keys_for
from packer.fetching.hosts.offer_reading import read_offers
from packer.fetching.looked_at import LookedAt, store_looked_at
from packer.fetching.reports import LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.planning.source_layers import asked_of_servers
from packer.proof.below_floor import below_floor

__all__ = ["FetchOrder", "Tell", "carry_out", "fetch_progress"]

_TELL_EVERY_S = 1.0  # figures are read by people, and each costs the page and the fetch some work

Tell = Callable[[Mapping[str, Any]], None]


@dataclass(frozen=True, slots=True)
class FetchOrder:
    """What to fetch and how; `looked_at` are tiles that came for a look, which are stored and not asked for once more,
    and `keys` those that were typed into the page. `hands` is who fetches in place of this machine alone: the number
    of processes here, and where others reach it, None for nowhere."""

    brief: Brief
    options: Options
    looked_at: tuple[LookedAt, ...] = ()
    keys: Mapping[str, str] = field(default_factory=dict, repr=False)
    hands: tuple[int, str | None] | None = None


async def carry_out(
    order: FetchOrder, stop: asyncio.Event, tell: Tell, on_code: Callable[[str], None] = lambda _code: None
) -> dict[str, Any]:
    """Fetch, and tell where it stands once a second; gives the report as plain data. `on_code` is given the code by
    which other machines join, if they may. Raises as `run_fetch`.

    If cancelled: as a fetch. If the process dies: the packs hold every committed batch, and the next fetch asks only
    for the rest.
    """
    brief, options, due = order.brief, order.options, 0.0
    hands = None if order.hands is None else Hands(*order.hands, on_code)
    seen = None if hands is None else HandsSeen()

    def show(layers: Sequence[LayerProgress]) -> None:
        nonlocal due
        if (now := time.monotonic()) >= due:
            due = now + _TELL_EVERY_S
            told = fetch_progress(layers, time.time())
            tell(told if seen is None else {**told, "hands": seen.note(layers, time.time())})

    settled, remarks = await read_offers(brief, options.store, transport=options.transport)
    worked_out = plan(settled)
    await _store_looked_at(settled, worked_out, order)
    report = await run_fetch(settled, worked_out, options, stop=stop, on_progress=show, hands=hands)
    found = report.to_dict()
    below = below_floor(settled, worked_out, options.store) if report.complete else []
    return {**found, "remarks": [*remarks, *found["remarks"]], "below_floor": below}


async def _store_looked_at(brief: Brief, worked_out: Plan, order: FetchOrder) -> None:
    """If a layer cannot be fetched as it is, or its pack is in use or of another date, the fetch itself says so. If
    cancelled: what was written stays."""
    with suppress(InputError, StoreBusyError):
        brief, worked_out = asked_of_servers(brief, worked_out)
        keys = await keys_for(brief, worked_out, os.environ)
        sources = {name: one.source for name, one in keys.items()}
        await store_looked_at(brief, worked_out, order.options.store, sources, order.looked_at)


def fetch_progress(layers: Sequence[LayerProgress], now: float) -> dict[str, Any]:
    """Where the layers stand, as the page shows it."""
    return {
        "at": round(now, 1),
        # While all layers wait for a host that cannot be reached, no time passes for the pace.
        "waited": round(min((one.waited_s for one in _unfinished(layers) or layers), default=0.0), 1),
        "layers": {layer.name: _layer_progress(layer) for layer in layers},
        "planned": sum(layer.planned for layer in layers),
        "done": sum(layer.held + layer.absent for layer in layers),
        "bytes": sum(layer.counts.bytes for layer in layers),
        "failed": sum(layer.counts.failed for layer in layers),
        "counted": all(layer.counted for layer in layers),
    }


def _unfinished(layers: Sequence[LayerProgress]) -> list[LayerProgress]:
    return [la for la in layers if la.held + la.absent + la.counts.failed < la.planned]


def _layer_progress(layer: LayerProgress) -> dict[str, Any]:
    pause = layer.pause
    return {
        "planned": layer.planned,
        "held": layer.held,
        "absent": layer.absent,
        "failed": layer.counts.failed,
        "bytes": layer.counts.bytes,
        "host": layer.host,
        "pause": None
        if pause is None
        else {"kind": str(pause.kind), "reason": pause.reason, "where": pause.where},
        "areas": {one.area: {str(z): round(share, 4) for z, share in one.shares} for one in layer.areas},
        "depths": {one.area: {"held": one.held, "asked": one.asked} for one in layer.areas},
        "departure": None
        if layer.departure is None
        else {
            "complete": layer.departure.complete,
            "tiles": layer.departure.tiles,
            "areas": {
                one.area: {str(z): round(share, 4) for z, share in one.shares}
                for one in layer.departure.areas
            },
        },
        "alarms": [{"sha256": a.sha256, "tiles": a.tiles, "example": a.example} for a in layer.alarms],
    }

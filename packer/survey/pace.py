"""How fast tiles come: a short timed fetch of tiles that the plan needs anyway."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from packer.fetching.reports import LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result, Transport, TransportName, open_transport
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan, served
from packer.store.pack_summary import known_summary
from packer.survey.imagery import choose
from packer.survey.inspection import sample_plan
from packer.survey.speed import AssumedSpeed

__all__ = ["measure"]

_TILES = 40
_LEAST = 5  # answers below which nothing is said
_DEEPEST_ZOOMS = 3  # where most of any plan lies
_PATIENCE_S = 60.0  # someone sits and waits for the answer


@dataclass(slots=True)
class _PaceProbe:
    """When the first tile was asked for, when the last one came, and what came."""

    now: Callable[[], float]
    began: float | None = None
    ended: float = 0.0
    answers: int = 0
    bytes: int = 0
    waited_s: float = 0.0

    @property
    def seconds(self) -> float:
        """From the first request to the last answer, without waits for a host that could not be reached."""
        return 0.0 if self.began is None else self.ended - self.began - self.waited_s


class _TimedTransport:
    """A transport that notes what passes through it."""

    def __init__(self, transport: Transport, watch: _PaceProbe) -> None:
        self._transport, self._watch = transport, watch

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        """As the transport behind it. If cancelled: as the transport behind it, and nothing is noted."""
        started = self._watch.now()
        reply = await self._transport.fetch(url, headers, deadline_s, limit_bytes)
        if isinstance(reply, Response) and reply.status == 200 and not url.endswith("/robots.txt"):
            self._watch.began = started if self._watch.began is None else min(self._watch.began, started)
            self._watch.ended = self._watch.now()
            self._watch.answers += 1
            self._watch.bytes += len(reply.body)
        return reply

    def drop_idle(self) -> None:
        """As the transport behind it, if it can."""
        getattr(self._transport, "drop_idle", lambda: None)()

    async def aclose(self) -> None:
        """As the transport behind it. If cancelled: as the transport behind it."""
        await self._transport.aclose()


async def measure(
    brief: Brief,
    plan: Plan,
    store: Path | None = None,
    *,
    seed: str = "pace",
    transport: TransportName | None = None,
    on_progress: Callable[[list[LayerProgress]], None] | None = None,
    make_transport: Callable[..., Transport] = open_transport,
    now: Callable[[], float] = time.monotonic,
) -> AssumedSpeed | None:
    """Fetch up to 40 planned tiles that are missing, and take the time; None if too few came to tell.

    So short a fetch starts slowly, as every fetch does, and so tells rather too little than too much. Raises
    what `run_fetch` does. If cancelled: what came is stored.
    """
    plan = served(brief, plan)
    layers = [name for name, layer in plan.layers.items() if layer.tiles]
    each = max(_LEAST, _TILES // max(len(layers), 1))
    chosen = {}
    for name in layers:
        missing = known_summary(pack_path(brief, name, store)).lacking(plan.layers[name].tiles)
        chosen[name] = _some(missing, each, random.Random(f"{seed}/{name}"))
    if sum(map(len, chosen.values())) < _LEAST:
        return None
    watch = _PaceProbe(now)

    def follow(layers: list[LayerProgress]) -> None:
        # Of a wait that goes on nothing counts yet: no answer has come since it began.
        watch.waited_s = max((la.waited_s for la in layers if la.pause is None), default=watch.waited_s)
        if on_progress is not None:
            on_progress(layers)

    await run_fetch(
        brief,
        sample_plan(plan, chosen),
        Options(store=store, give_up_after_s=_PATIENCE_S, transport=transport, sample=True),
        on_progress=follow,
        make_transport=lambda *args, **options: _TimedTransport(make_transport(*args, **options), watch),
    )
    if watch.answers < _LEAST or watch.seconds <= 0:
        return None
    return AssumedSpeed(8 * watch.bytes / watch.seconds, "measured")


def _some(missing: TileSet, most: int, chance: random.Random) -> TileSet:
    deep = missing.at(*missing.zooms[-_DEEPEST_ZOOMS:])
    return TileSet.from_tiles(choose({"missing": deep}, most, chance))

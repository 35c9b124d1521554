"""A whole fetch: every layer of a brief, from what is stored to complete, or to a clean stop."""

from __future__ import annotations

import asyncio
import math
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import AsyncExitStack
from dataclasses import asdict, dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any, Literal
from urllib.parse import urlsplit

from packer.address import Address, UnsetError, fill, fingerprint
from packer.brief import Brief, Layer
from packer.errors import BriefError, LastbarError, NetworkError
from packer.fetching.clock import Clock, SystemClock
from packer.fetching.crew import LIMIT_BYTES, Crew, Source, Tally
from packer.fetching.feed import Feed
from packer.fetching.gate import Gate, Pause, PauseKind
from packer.fetching.hosts import Wellness, gates_for
from packer.fetching.order import in_order
from packer.fetching.outbox import BATCH_RECORDS, Outbox
from packer.net import Door, open_door
from packer.outcome import TileRules
from packer.payload import Kind, fault_of
from packer.planning import Plan
from packer.store import Labels, PackWriter
from packer.tileset import TileSet
from packer.version import __version__

__all__ = ["FetchReport", "LayerProgress", "LayerReport", "Options", "fetch", "pack_path", "run_fetch"]

_TICK_S = 0.25
_GRACE_S = 10.0  # for requests under way when a stop is asked for
_NEVER_REACHED_S = 30.0  # someone is there when a run starts, and a wrong address should not wait for ever


@dataclass(frozen=True, slots=True)
class Options:
    """How a fetch is run. `give_up_after_s` None waits for a host that was reached before without limit,
    and for one that never was half a minute. `batch_records` is how many tiles share a transaction."""

    store: Path | None = None
    give_up_after_s: float | None = None
    ask_absent_again: bool = False
    transport: Literal["lean", "httpx"] | None = None
    batch_records: int = BATCH_RECORDS


@dataclass(frozen=True, slots=True)
class LayerProgress:
    """Where one layer stands: `held` and `absent` count within the plan, this run's included."""

    name: str
    planned: int
    held: int
    absent: int
    tally: Tally
    pause: Pause | None
    host: str


@dataclass(frozen=True, slots=True)
class LayerReport:
    """What a run did for one layer. `missing` is what the plan still lacks."""

    planned: int
    held_before: int
    requests: int
    stored: int
    bytes: int
    absent: int
    failed: int
    missing: int
    failure: str | None = None


@dataclass(frozen=True, slots=True)
class FetchReport:
    """What a run did. `complete` holds if every planned tile is stored or known not to exist."""

    complete: bool
    interrupted: bool
    seconds: float
    layers: Mapping[str, LayerReport]

    def total(self, what: str) -> int:
        """The sum of one count over all layers."""
        return sum(int(getattr(layer, what)) for layer in self.layers.values())

    def as_json(self) -> dict[str, Any]:
        """One plain document, totals first."""
        sums = ("planned", "held_before", "requests", "stored", "bytes", "absent", "failed", "missing")
        return {
            "complete": self.complete,
            "interrupted": self.interrupted,
            "seconds": round(self.seconds, 3),
            **{name: self.total(name) for name in sums},
            "layers": {name: asdict(layer) for name, layer in self.layers.items()},
        }


def pack_path(brief: Brief, layer: str, store: Path | None = None) -> Path:
    """Where the pack of a layer lies."""
    return (store or brief.store_folder) / f"{layer}.mbtiles"


@dataclass(slots=True)
class _LayerRun:
    layer: Layer
    source: Source
    pack: PackWriter
    gate: Gate
    crew: Crew
    outbox: Outbox
    planned: TileSet
    held: int
    absent: int
    todo: int

    def progress(self) -> LayerProgress:
        tally = self.crew.tally
        return LayerProgress(
            self.layer.name,
            len(self.planned),
            self.held + tally.stored,
            self.absent + tally.absent,
            tally,
            self.gate.pause,
            self.source.rules.host,
        )

    def report(self) -> LayerReport:
        tally = self.crew.tally
        return LayerReport(
            planned=len(self.planned),
            held_before=self.held,
            requests=tally.requests,
            stored=tally.stored,
            bytes=tally.bytes,
            absent=self.absent + tally.absent,
            failed=tally.failed,
            missing=self.todo - tally.stored - tally.absent,
            failure=str(self.crew.failure) if self.crew.failure else None,
        )


async def run_fetch(
    brief: Brief,
    plan: Plan,
    options: Options | None = None,
    *,
    clock: Clock | None = None,
    stop: asyncio.Event | None = None,
    on_progress: Callable[[list[LayerProgress]], None] | None = None,
    environment: Mapping[str, str] | None = None,
    make_door: Callable[..., Door] = open_door,
) -> FetchReport:
    """Fetch what the plan asks for and the packs lack; `stop` set ends the run cleanly.

    Raises BriefError for a variable that is not set, StoreError and DiskError if a pack cannot be used or
    written; a layer that had to be given up is told in its report. If cancelled: requests under way are
    dropped, what was handed to a writer is committed, every pack is closed whole.
    """
    run = _Run(brief, plan, options or Options(), clock or SystemClock(), stop or asyncio.Event(), make_door)
    return await run.go(on_progress or (lambda _: None), os.environ if environment is None else environment)


def fetch(
    brief: Brief,
    plan: Plan,
    options: Options | None = None,
    *,
    on_progress: Callable[[list[LayerProgress]], None] | None = None,
) -> FetchReport:
    """As `run_fetch`, in an event loop of its own. Ctrl-C ends it as a cancellation does.

    If the process dies: the packs hold every committed batch, and the next fetch asks only for the rest.
    """
    with asyncio.Runner(loop_factory=fast_loop()) as runner:
        return runner.run(run_fetch(brief, plan, options, on_progress=on_progress))


def fast_loop() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """The maker of uvloop's event loop where that is installed, None for the standard one."""
    try:
        import uvloop  # not made for every system
    except ImportError:
        return None
    return uvloop.new_event_loop


@dataclass(slots=True)
class _Run:
    brief: Brief
    plan: Plan
    options: Options
    clock: Clock
    stop: asyncio.Event
    make_door: Callable[..., Door]
    layers: list[_LayerRun] = field(default_factory=list)

    async def go(
        self, on_progress: Callable[[list[LayerProgress]], None], environment: Mapping[str, str]
    ) -> FetchReport:
        started = self.clock.now()
        sources = {la.name: self._source(la, environment) for la in self._wanted()}
        gates = gates_for(self.brief, sources, self.clock)
        async with AsyncExitStack() as stack:
            door = self.make_door(
                self.options.transport,
                connections=sum(gate.cap for gate in {id(g): g for g in gates.values()}.values()),
                user_agent=_user_agent(self.brief),
            )
            stack.push_async_callback(door.aclose)
            for name, source in sources.items():
                pack = await stack.enter_async_context(self._pack(name, source))
                self.layers.append(self._layer_run(name, source, pack, gates[name].gate, door))
            await self._work(on_progress)
        return self._report(self.clock.now() - started)

    def _wanted(self) -> Iterator[Layer]:
        return (la for la in self.brief.layers.values() if self.plan.layers[la.name].tiles)

    def _source(self, layer: Layer, environment: Mapping[str, str]) -> Source:
        try:
            address = Address(fill(layer.url, environment), layer.subdomains)
            headers = {name: fill(value, environment) for name, value in layer.headers.items()}
        except UnsetError as fault:
            raise BriefError(
                f"{self.brief.path}: layers.{layer.name} needs the environment variable {fault}, which is "
                f"not set. Set it in this terminal and try again: export {fault}=..."
            ) from None
        rules = TileRules(_stated_kind(layer), address.hosts[0], LIMIT_BYTES, None)
        return Source(layer.name, address, headers, rules)

    def _pack(self, name: str, source: Source) -> PackWriter:
        layer, plan = self.brief.layers[name], self.plan
        labels = Labels(
            layer=name,
            kind=(source.rules.kind or Kind.PNG).value,
            title=self.brief.title,
            attribution=layer.attribution,
            permission=layer.permission,
            host=source.rules.host,
            fingerprint=fingerprint(layer.url),
            bounds=plan.bounds,
            middle=plan.middle,
            center_zoom=min(12, layer.zooms[1]),
            plan=plan.fingerprint,
            rule=plan.rule,
            version=__version__,
        )
        return PackWriter(pack_path(self.brief, name, self.options.store), labels, self.clock.wall, fault_of)

    def _layer_run(self, name: str, source: Source, pack: PackWriter, gate: Gate, door: Door) -> _LayerRun:
        planned = self.plan.layers[name].tiles
        absent = TileSet() if self.options.ask_absent_again else planned & pack.absent - pack.held
        todo = planned - pack.held - absent
        outbox = Outbox(pack.write, self.options.batch_records)
        crew = Crew(
            source,
            Feed(in_order(self.plan.layers[name].areas, self.plan.shapes, todo)),
            gate,
            door,
            outbox,
            self.clock,
            Wellness(source, door, gate),
        )
        if pack.kind is not None:
            crew.hold_to(Kind(pack.kind))
        held = len(planned) - len(todo) - len(absent)
        layer = self.brief.layers[name]
        return _LayerRun(layer, source, pack, gate, crew, outbox, planned, held, len(absent), len(todo))

    async def _work(self, on_progress: Callable[[list[LayerProgress]], None]) -> None:
        pumps = [asyncio.create_task(run.outbox.pump()) for run in self.layers]
        crews = [asyncio.create_task(run.crew.run(run.layer.connections)) for run in self.layers]
        stopping = asyncio.create_task(self.stop.wait())
        try:
            await self._watch(crews, pumps, stopping, on_progress)
            for run in self.layers:
                run.outbox.end()
            await asyncio.gather(*pumps)
        finally:
            stopping.cancel()
            for task in (*crews, *pumps):
                task.cancel()
            # Crews and pumps end before the packs are closed round them, whatever went wrong.
            await asyncio.gather(*crews, *pumps, return_exceptions=True)
        on_progress([run.progress() for run in self.layers])

    async def _watch(
        self,
        crews: list[asyncio.Task[None]],
        pumps: list[asyncio.Task[None]],
        stopping: asyncio.Task[bool],
        on_progress: Callable[[list[LayerProgress]], None],
    ) -> None:
        """Until the crews are done: tell of progress, give up where waiting has its limit, heed a stop."""
        grace_until = math.inf
        while any(not crew.done() for crew in crews):
            working = [t for t in (*crews, *pumps) if not t.done()]
            stops = [] if stopping.done() else [stopping]
            tick = asyncio.ensure_future(self.clock.sleep(_TICK_S))
            await asyncio.wait([*working, *stops, tick], return_when="FIRST_COMPLETED")
            tick.cancel()
            for task in (*pumps, *crews):
                if task.done() and not task.cancelled() and task.exception():
                    raise _plain(task.exception())
            on_progress([run.progress() for run in self.layers])
            self._lose_patience()
            if stopping.done() and math.isinf(grace_until):
                grace_until = self.clock.now() + _GRACE_S
                for run in self.layers:
                    run.crew.stop()
                    run.gate.close()
            if self.clock.now() > grace_until:
                for crew in crews:
                    crew.cancel()

    def _lose_patience(self) -> None:
        limit = self.options.give_up_after_s
        for run in self.layers:
            pause = run.gate.pause
            if pause is None or pause.kind is PauseKind.ASKED or run.crew.failure:
                continue
            patience = limit if limit is not None else (math.inf if run.gate.ever_good else _NEVER_REACHED_S)
            if self.clock.now() - pause.since > patience:
                run.crew.stop(_gave_up(run, pause, patience))
                run.gate.close()

    def _report(self, seconds: float) -> FetchReport:
        layers = {run.layer.name: run.report() for run in self.layers}
        missing = sum(layer.missing for layer in layers.values())
        return FetchReport(missing == 0, self.stop.is_set() and missing > 0, seconds, layers)


def _gave_up(run: _LayerRun, pause: Pause, patience_s: float) -> NetworkError:
    sign_in = f" Sign in at {pause.where or 'any web page'} first." if pause.kind is PauseKind.SIGN_IN else ""
    return NetworkError(
        f'Layer "{run.layer.name}": no tile from {run.source.rules.host} for {patience_s:.0f} s; '
        f"the last trouble: {pause.reason}.{sign_in} Check the connection and the layer's address, then run "
        "lastbar fetch again; what was stored is kept. To let it wait longer: --give-up-after 2h."
    )


def _plain(fault: BaseException | None) -> BaseException:
    """The first error of this project's inside a group, or the fault itself."""
    while isinstance(fault, BaseExceptionGroup):
        ours = [e for e in fault.exceptions if isinstance(e, LastbarError)]
        fault = ours[0] if ours else fault.exceptions[0]
    assert fault is not None
    return fault


_ENDINGS = {".png": Kind.PNG, ".jpg": Kind.JPG, ".jpeg": Kind.JPG, ".webp": Kind.WEBP, ".pbf": Kind.PBF}


def _stated_kind(layer: Layer) -> Kind | None:
    """The kind of tile that the brief states, outright or by the ending of the address; None if neither."""
    if layer.format:
        return Kind(layer.format)
    return _ENDINGS.get(PurePosixPath(urlsplit(layer.url).path).suffix.lower())


def _user_agent(brief: Brief) -> str:
    return f"lastbar/{__version__}" + (f" ({brief.contact})" if brief.contact else "")

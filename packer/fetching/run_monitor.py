"""Watching over a run: report progress, give layers up that never answer, and end the run in time."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from packer.common.clock import Clock
from packer.errors import LastbarError, NetworkError
from packer.fetching.departure import ByteBudget, Countdown
from packer.fetching.layer_run import LayerRun
from packer.fetching.pacing.gate import Pause, PauseKind
from packer.fetching.reports import LayerProgress
from packer.fetching.run_log import RunLog

__all__ = ["OnProgress", "RunMonitor", "first_error"]

OnProgress = Callable[[list[LayerProgress]], None]

_REDRAW_S, _REDRAW_PAUSED_S = 0.25, 1.0  # while tiles come, and while only a countdown moves
_SHORTEST_S = 0.25
_COVERAGE_EVERY_S = 5.0
_GRACE_S = 10.0  # for requests under way when a stop is asked for
_NEVER_REACHED_S = 30.0  # someone is there when a run starts, and a wrong address should not wait for ever


@dataclass(slots=True)
class RunMonitor:
    """Watches until every layer is done, and ends the run where it has to.

    It sleeps until the next moment that matters. Where `on_progress` is given, that is several times a second, or
    once a second while every layer waits.

    `stopped` is why the run was stopped early: "asked", "departure", "max-bytes", or None.
    """

    layers: Sequence[LayerRun]
    clock: Clock
    log: RunLog
    countdowns: Sequence[Countdown]
    byte_budget: ByteBudget
    give_up_after_s: float | None
    on_progress: OnProgress | None
    stopped: str | None = None
    _drop_at: float = math.inf  # on the run's clock
    _coverage_at: float = -math.inf
    _alarmed: set[tuple[str, str]] = field(default_factory=set)
    _forecast_logged: bool = False

    async def until_done(
        self,
        fetchers: list[asyncio.Task[None]],
        writers: list[asyncio.Task[None]],
        stopping: asyncio.Task[bool],
    ) -> None:
        """Until every fetcher is done. Raises what a fetcher or a writer raised. If cancelled: the tasks go on."""
        while any(not fetcher.done() for fetcher in fetchers):
            working = [t for t in (*fetchers, *writers) if not t.done()]
            stops = [] if stopping.done() else [stopping]
            tick = asyncio.ensure_future(self.clock.sleep(self._idle_s()))
            try:
                await asyncio.wait([*working, *stops, tick], return_when="FIRST_COMPLETED")
            finally:
                tick.cancel()
            for task in (*writers, *fetchers):
                if task.done() and not task.cancelled() and task.exception():
                    raise first_error(task.exception())
            self.note()
            self._check_timeouts()
            self._end_in_time(asked=stopping.done())
            if self.clock.now() >= self._drop_at:
                for fetcher in fetchers:
                    fetcher.cancel()
        if self.byte_budget.left is not None and self._unfinished() and self.stopped is None:
            self._stopped("max-bytes")

    def _idle_s(self) -> float:
        """Seconds until there is something to do, as far as is known now."""
        now, waiting = self.clock.now(), True
        moments = [self._coverage_at, self._drop_at, now + _COVERAGE_EVERY_S]
        for run in self.layers:
            moments.append(self._gives_up_at(run))
            waiting = waiting and run.pause is not None
        if self.give_up_after_s is not None:
            moments.append(now + self.give_up_after_s)  # of a pause that may begin at once
        if (left_s := self._seconds_left()) is not None and self.stopped is None:
            moments.append(now + left_s / 2)  # it may turn out to be sooner, when answers take longer
        if self.on_progress is not None:
            moments.append(now + (_REDRAW_PAUSED_S if waiting else _REDRAW_S))
        return max(min(moments) - now, _SHORTEST_S)

    def _unfinished(self) -> bool:
        return any(run.unasked > 0 and not run.fetcher.failure for run in self.layers)

    def note(self, *, last: bool = False) -> None:
        """Report progress. How much of each area is on board is worked out every few seconds only."""
        now = self.clock.now()
        if last or now >= self._coverage_at:
            # Large plans take longer to work out: never more than a twentieth of the time.
            for run in self.layers:
                run.update(now, self._seconds_left(), self.byte_budget)
            self._coverage_at = now + max(_COVERAGE_EVERY_S, 20 * (self.clock.now() - now))
            self._log_alarms()
            self._log_forecast()
        if self.on_progress is not None:
            self.on_progress([run.progress() for run in self.layers])

    def _seconds_left(self) -> float | None:
        typical_s = max((run.fetcher.counts.took_s for run in self.layers), default=0.0)
        return min((one.asking_s(typical_s) for one in self.countdowns), default=None)

    def _log_alarms(self) -> None:
        for alarm in (a for run in self.layers for a in run.alarms):
            if (alarm.layer, alarm.sha256) not in self._alarmed:
                self._alarmed.add((alarm.layer, alarm.sha256))
                self.log.event(
                    "alarm", layer=alarm.layer, sha256=alarm.sha256, tiles=alarm.tiles, example=alarm.example
                )

    def _log_forecast(self) -> None:
        known = [run for run in self.layers if run.departure is not None]
        if self._forecast_logged or len(known) < len(self.layers):
            return
        self._forecast_logged = True
        self.log.event("forecast", layers={run.layer.name: _forecast(run) for run in known})

    def _end_in_time(self, *, asked: bool) -> None:
        if self.stopped is not None:
            return
        if asked:
            self._drop_at = self.clock.now() + _GRACE_S
            self._stopped("asked")
        elif self._seconds_left() == 0.0:
            self._drop_at = self.clock.now() + min(one.drop_s for one in self.countdowns)
            self._stopped("departure")

    def _stopped(self, why: str) -> None:
        self.stopped = why
        self.log.event("stop", why=why, missing={run.layer.name: run.missing for run in self.layers})
        for run in self.layers:
            run.fetcher.stop()
            for gate in run.gates:
                gate.close()

    def _give_up_after(self, run: LayerRun, pause: Pause) -> float:
        if self.give_up_after_s is not None:
            return self.give_up_after_s
        if pause.kind is PauseKind.KEY:
            return math.inf
        # A host that answers, but has never given a tile, is not waited for as a link that is down is.
        gate = run.slowest_gate
        known = gate.ever_good if pause.kind is PauseKind.SERVER else gate.reached
        # Nor does one server prove anything about another behind the same gate.
        known = known and (run.fetcher.heard or not gate.several)
        return math.inf if known else _NEVER_REACHED_S

    def _gives_up_at(self, run: LayerRun) -> float:
        pause = run.pause
        if pause is None or run.fetcher.failure:
            return math.inf
        if pause.kind is PauseKind.ASKED and self.give_up_after_s is None:
            return math.inf  # a server that asks for a wait is there: it is waited for without limit
        return pause.since + self._give_up_after(run, pause)

    def _check_timeouts(self) -> None:
        for run in self.layers:
            if (pause := run.pause) and self.clock.now() >= self._gives_up_at(run):
                failure = _gave_up(run, pause, self._give_up_after(run, pause))
                self.log.event("layer stopped", layer=run.layer.name, reason=str(failure))
                run.fetcher.stop(failure)
                for gate in run.gates:
                    if all(r.fetcher.failure or not r.unasked for r in self.layers if gate in r.gates):
                        gate.close()


def _forecast(run: LayerRun) -> dict[str, Any]:
    assert run.departure is not None
    areas = {s.area: {str(z): share for z, share in s.shares if share < 1} for s in run.departure.areas}
    return {"more_tiles": run.departure.tiles, "complete": run.departure.complete, "incomplete": areas}


def _gave_up(run: LayerRun, pause: Pause, limit_s: float) -> NetworkError:
    sign_in = f" Sign in at {pause.where or 'any web page'} first." if pause.kind is PauseKind.SIGN_IN else ""
    host = run.slowest_gate.host or run.source.host
    if pause.kind is PauseKind.KEY:
        where = f" in {pause.where}" if pause.where else ""
        return NetworkError(
            f'Layer "{run.layer.name}" was stopped: {host} has not accepted the key{where} for {limit_s:.0f} s. '
            f"The last answer: {pause.reason}. Set a key that works, then run lastbar fetch again. Stored tiles are "
            "kept. To wait longer, add --give-up-after 2h."
        )
    return NetworkError(
        f'Layer "{run.layer.name}" was stopped: no tile from {host} for {limit_s:.0f} s. '
        f"The last failure: {pause.reason}.{sign_in} Check the connection and the layer's address, then run "
        "lastbar fetch again. Stored tiles are kept. To wait longer, add --give-up-after 2h."
    )


def first_error(fault: BaseException | None) -> BaseException:
    """The first error of this project's inside a group, or the fault itself."""
    while isinstance(fault, BaseExceptionGroup):
        ours = [e for e in fault.exceptions if isinstance(e, LastbarError)]
        fault = ours[0] if ours else fault.exceptions[0]
    assert fault is not None
    return fault

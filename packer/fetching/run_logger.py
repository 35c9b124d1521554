"""What a run writes into its log: what it is to do, when it had to pause, and how it ended."""

from __future__ import annotations

import platform
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from packer.common.clock import Clock
from packer.fetching.hosts.host_identity import SharedGate
from packer.fetching.layer_run import LayerRun
from packer.fetching.pacing.gate import Pause
from packer.fetching.reports import FetchReport, Options
from packer.fetching.run_log import RunLog
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.planning.terms import user_agent
from packer.version import __version__

__all__ = ["RunLogger"]

_MOST_NAMED = 10_000  # tiles in one line of the log


class RunLogger:
    """Writes the log's lines for the start, the pauses and the end of a run."""

    def __init__(self, log: RunLog, clock: Clock) -> None:
        self._log, self._clock = log, clock
        self._paused_s: dict[str, float] = {}

    def listen(self, gates: Sequence[SharedGate]) -> None:
        """Note every pause of these gates from now on."""
        for shared in gates:
            shared.gate.on_change = partial(self._pause_changed, shared.layers)

    def not_shared(self, reason: str) -> None:
        """Note that the caps hold for this process alone."""
        self._log.event("caps not shared", reason=f"other fetches on this machine cannot be heeded: {reason}")

    def key_changes(self, layer: str) -> Callable[[Pause | None, Pause | None], None]:
        """What notes each wait of a layer for a key."""
        return partial(self._pause_changed, (layer,))

    def _pause_changed(self, layers: tuple[str, ...], before: Pause | None, now: Pause | None) -> None:
        if now is None and before is not None:
            lasted = self._clock.now() - before.since
            for name in layers:
                self._paused_s[name] = self._paused_s.get(name, 0.0) + lasted
            self._log.event("resume", layers=layers, paused_seconds=lasted)
        elif now is not None and (before is None or before.kind is not now.kind):
            wait_s = now.until - self._clock.now()
            self._log.event(
                "pause", layers=layers, kind=now.kind.value, reason=now.reason, next_try_seconds=wait_s
            )

    def start(
        self, brief: Brief, plan: Plan, options: Options, layers: Sequence[LayerRun], remarks: Sequence[str]
    ) -> None:
        """The start: versions, plan, limits and how far each layer is."""
        self._log.event(
            "start",
            version=__version__,
            python=platform.python_version(),
            system=platform.system(),
            plan=plan.fingerprint,
            rule=plan.rule,
            user_agent=user_agent(brief.contact),
            depart_at=options.depart_at,
            for_seconds=options.for_s,
            max_bytes=options.max_bytes,
            remarks=remarks,
            layers={run.layer.name: _at_start(run) for run in layers},
        )

    def end(self, report: FetchReport, layers: Sequence[LayerRun]) -> None:
        """The end: which tiles never came although their host answered, totals by layer, and why tiles were given
        up."""
        for run in layers:
            if tiles := run.fetcher.counts.never_came:
                self._log.event(
                    "never came",
                    layer=run.layer.name,
                    host=run.source.host,
                    count=len(tiles),
                    asked_less=run.fetcher.counts.asked_less,
                    tiles=[str(tile) for tile in sorted(tiles)[:_MOST_NAMED]],
                )
        self._log.event(
            "end",
            complete=report.complete,
            stopped=report.stopped,
            seconds=report.seconds,
            layers={run.layer.name: self._at_end(report, run) for run in layers},
        )

    def _at_end(self, report: FetchReport, run: LayerRun) -> dict[str, Any]:
        name, found = run.layer.name, report.layers[run.layer.name]
        paused_s = self._paused_s.get(name, 0.0)
        if run.gate.pause is not None:
            paused_s += self._clock.now() - run.gate.pause.since
        return {
            "requests": found.requests,
            "stored": found.stored,
            "bytes": found.bytes,
            "absent_now": found.absent - run.absent,
            "failed": found.failed,
            "missing": found.missing,
            "refresh": found.refresh,
            "gave_up": found.troubles,
            "failure": found.failure,
            "seconds": report.seconds,
            "paused_seconds": paused_s,
            "waited_seconds": run.gate.waited_s,
        }


def _at_start(run: LayerRun) -> dict[str, Any]:
    return {
        "host": run.source.host,
        "planned": len(run.planned),
        "held": run.held,
        "absent": run.absent,
        "to_fetch": run.todo,
        "dropped_as_corrupt": len(run.pack.dropped),
        "dropped_as_blank": len(run.pack.blanked),
        "connections": run.layer.connections,
        "requests_per_second": run.layer.requests_per_second,
    }

"""What a run waits for before its first request: a server that asked an earlier run for patience, and the hands of an
earlier run, which may still ask."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from packer.common.clock import Clock
from packer.fetching.hosts.host_identity import SharedGate
from packer.fetching.hosts.source import Source
from packer.fetching.pacing.gate import Pause
from packer.fetching.reports import LayerCounts, LayerProgress
from packer.fetching.run_monitor import OnProgress

__all__ = ["FirstWait"]

_LOOK_EVERY_S = 0.25


@dataclass(frozen=True, slots=True)
class FirstWait:
    """The wait of a run whose layers have so many tiles `planned` and come from `sources`. `all_gates` are those of the
    layers, by their names, and of the hosts that they may be sent on to."""

    planned: Mapping[str, int]
    sources: Mapping[str, Source]
    all_gates: tuple[Mapping[str, SharedGate], Mapping[str, SharedGate]]
    clock: Clock
    on_progress: OnProgress | None

    async def until_over(self, stop: asyncio.Event) -> None:
        """Until no host has to be waited for, or `stop` is set; says so meanwhile. If cancelled: nothing was asked."""
        while not stop.is_set():
            waits = {name: pause for name in self.sources if (pause := self._wait(name)) is not None}
            if not any(self.clock.now() < pause.until for pause in waits.values()):
                return
            if self.on_progress is not None:
                self.on_progress([self._progress(name, waits.get(name)) for name in self.sources])
            await self.clock.sleep(_LOOK_EVERY_S)

    def _wait(self, layer: str) -> Pause | None:
        """What a layer waits for; of several the last to end."""
        own = self.all_gates[0][layer].gate
        gates = [own, *(shared.gate for shared in self.all_gates[1].values() if layer in shared.layers)]
        found = [own.pause, *(gate.lease_wait for gate in gates)]
        return max((pause for pause in found if pause is not None), key=lambda one: one.until, default=None)

    def _progress(self, layer: str, pause: Pause | None) -> LayerProgress:
        host = self.sources[layer].host
        return LayerProgress(layer, self.planned[layer], 0, 0, LayerCounts(), pause, host, counted=False)

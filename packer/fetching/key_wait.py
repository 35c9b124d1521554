"""A layer's wait for a key that works again, as where a key ends in the middle of the night.

Environment, key-command and keyring are asked again at growing distances, and one request at a time, the probe, finds
out whether the key works by then. What ends the wait is a tile. Other layers go on meanwhile, also those of the same
host.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import replace

from packer.common.clock import Clock
from packer.fetching.hosts.layer_keys import LayerKeys
from packer.fetching.hosts.source import Source
from packer.fetching.pacing.pause import Pause
from packer.fetching.pacing.signals import PauseKind

__all__ = ["KeyWait"]

_FIRST_S, _LONGEST_S = 10.0, 300.0  # between two probes with the same key
_ASK_FIRST_S, _ASK_LONGEST_S = 10.0, 60.0  # between two questions for another key
_MOST_AHEAD = 2000  # tiles
_LOOK_S = 1.0  # between two looks at the environment, which cost nothing
_AFTER_OTHER_S = 5.0  # after an answer that says nothing of the key


class KeyWait:
    """One layer's. `pause` holds while it waits. `renewed` is given each new source before it is used, `on_change` the
    pause before and the one now whenever one begins or ends."""

    def __init__(
        self,
        keys: LayerKeys,
        clock: Clock,
        renewed: Callable[[Source], None],
        on_change: Callable[[Pause | None, Pause | None], None] = lambda _before, _now: None,
    ) -> None:
        self.pause: Pause | None = None
        self.keys = keys
        self._clock, self._renewed, self._on_change = clock, renewed, on_change
        self._prober: asyncio.Task[object] | None = None
        self._turn = asyncio.Event()
        self._probe_s, self._ask_s, self._ask_at = _FIRST_S, _ASK_FIRST_S, -math.inf
        self._over_s = 0.0

    @property
    def tiles_ahead(self) -> int:
        """How far ahead of its turn the tile of the next probe lies. Where a server says 403 of each tile that it
        does not have, a tile from elsewhere shows that the key works."""
        return 0 if self._probe_s <= _FIRST_S else min(int(8 * self._probe_s), _MOST_AHEAD)

    @property
    def waited_s(self) -> float:
        """Seconds waited so far."""
        return self._over_s + (0.0 if self.pause is None else self._clock.now() - self.pause.since)

    @property
    def ends_at(self) -> float | None:
        """When the present key ends on the run's clock, as its own text says; None if nothing tells, or if a command
        gives another one by then."""
        ends = None if self.keys.renews_itself else self.keys.ends_at
        return None if ends is None else self._clock.now() + ends - self._clock.wall()

    def begin(self, reason: str) -> None:
        """The key has ended; nothing happens if that is known already."""
        if self.pause is None:
            now = self._clock.now()
            self.keys.refused()
            self._probe_s, self._ask_s, self._ask_at = _FIRST_S, _ASK_FIRST_S, now
            self._change(
                Pause(PauseKind.KEY, reason, ", ".join(self.keys.names) or None, now, now + _FIRST_S)
            )

    def tile_came(self, started: float) -> bool:
        """A tile came by a request that started then: whether that has ended the wait."""
        if self.pause is None or started < self.pause.since:
            return False
        self._change(None)
        return True

    def other_key(self) -> None:
        """The source has another key by now: the next probe is due."""
        if self.pause is not None:
            self._probe_s = _FIRST_S
            self.pause = replace(self.pause, until=self._clock.now())

    def wake(self) -> None:
        """Whoever waits has to look again."""
        self._turn.set()

    async def is_probe(self, stopping: Callable[[], bool]) -> bool:
        """Wait for the time of the next probe; whether whoever asks is to make it, and has to say how it went by
        `probed`. False once the wait is over, or somebody else makes it.

        If cancelled: somebody else makes it.
        """
        if self._prober is not None:
            if self._prober is asyncio.current_task() and self.pause is not None:
                return True  # it found no tile that could be asked for just then
            if self._prober is asyncio.current_task():
                self._pass_on()
                return False
            self._turn.clear()
            await self._turn.wait()
            return False
        self._prober = asyncio.current_task()
        chosen = False
        try:
            while self.pause is not None and not stopping() and not chosen:
                await self._look()
                chosen = self.pause is not None and self._clock.now() >= self.pause.until
                if not chosen:
                    await self._clock.sleep(_LOOK_S)
        finally:
            if not chosen:
                self._pass_on()
        return chosen

    def probed(self, *, refused: bool) -> None:
        """What whoever calls asked for was refused, or its answer says nothing of the key; nothing happens if that
        was no probe."""
        if self._prober is None or self._prober is not asyncio.current_task():
            return
        if self.pause is not None:
            wait_s = _AFTER_OTHER_S
            if refused:
                self.keys.refused()
                wait_s, self._probe_s = self._probe_s, min(2 * self._probe_s, _LONGEST_S)
            self.pause = replace(self.pause, until=self._clock.now() + wait_s)
        self._pass_on()

    async def _look(self) -> None:
        """Ask for another key, if it is time to; the source is made anew with it. If cancelled: the old one is used."""
        now = self._clock.now()
        if now < self._ask_at and not self.keys.changed_here():
            return
        self._ask_at, self._ask_s = now + self._ask_s, min(2 * self._ask_s, _ASK_LONGEST_S)
        before = self.keys.source
        failed = await asyncio.to_thread(self.keys.ask_again)
        if self.pause is None:
            return
        if self.keys.source is not before:
            self._renewed(self.keys.source)
            self._probe_s, self._ask_s = _FIRST_S, _ASK_FIRST_S
            self.pause = replace(self.pause, until=self._clock.now())
        elif failed:
            self.pause = replace(
                self.pause, reason=f"{self.pause.reason.partition('; ')[0]}; {failed.rstrip('.')}"
            )

    def _change(self, now: Pause | None) -> None:
        before, self.pause = self.pause, now
        if before is not None:
            self._over_s += self._clock.now() - before.since
        self._on_change(before, now)
        self._turn.set()

    def _pass_on(self) -> None:
        self._prober = None
        self._turn.set()

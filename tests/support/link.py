"""A slow link in front of a fast server: one bandwidth for all connections, one delay for each answer.

The link keeps its own timetable. A burst of n bytes takes n / rate seconds of the link from when the link is
free and the burst is ready, both by the timetable, and its bytes are handed over as that time passes. Since the
timetable does not run late when the event loop does, the rate over many bursts is exact however coarse the
loop's timers are, and it is never exceeded. An answer's delay passes before its first burst is ready, and
takes nothing of the bandwidth. A connection sends at most a burst before others have their turn: ten segments,
the initial window of TCP (RFC 6928), which most tiles fit into.
"""

from __future__ import annotations

from collections.abc import Iterator

from packer.common.clock import Clock
from tests.support.fault_script import Link

__all__ = ["SharedLink"]

_PART_S = 0.004  # bytes are handed over in parts of this time: finer than a planner's clock tells apart
_SEGMENT_BYTES = 1460
_BURST_BYTES = 10 * _SEGMENT_BYTES
_MOST_BYTES = 65_536  # what a socket takes at once


class SharedLink:
    """The timetable of one link. Belongs to one event loop."""

    def __init__(self, link: Link, clock: Clock) -> None:
        self._clock, self._free_s = clock, 0.0
        self.delay_s = link.delay_s
        self._byte_s = 8 / link.rate_bits if link.rate_bits else 0.0
        fits = int(link.rate_bits / 8 * _PART_S)
        self._part_bytes = min(max(fits, _SEGMENT_BYTES), _MOST_BYTES)
        self.burst_bytes = min(max(fits, _BURST_BYTES), _MOST_BYTES) if self._byte_s else _MOST_BYTES

    @property
    def is_open(self) -> bool:
        """Whether nothing is held back."""
        return not self._byte_s

    def book(self, size_bytes: int, ready_s: float) -> float:
        """When a burst that is ready at `ready_s` is through the link, on the clock; the link is booked."""
        self._free_s = max(self._free_s, ready_s) + size_bytes * self._byte_s
        return self._free_s

    def arrivals(self, size_bytes: int, through_s: float) -> Iterator[tuple[slice, float]]:
        """The parts of a burst that is through at `through_s`, each with the moment of its last byte."""
        for start in range(0, size_bytes, self._part_bytes):
            stop = min(start + self._part_bytes, size_bytes)
            yield slice(start, stop), through_s - (size_bytes - stop) * self._byte_s

    async def until(self, moment_s: float) -> None:
        """Let the time come. If cancelled: what was booked stays booked."""
        wait_s = moment_s - self._clock.now()
        if wait_s > 0:
            await self._clock.sleep(wait_s)

"""One layer of a run: its pack, its fetcher, and how far it is."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from packer.fetching.batch_writer import BatchWriter
from packer.fetching.coverage import CoverageTracker
from packer.fetching.departure import ByteBudget, Throughput
from packer.fetching.hosts.source import Source
from packer.fetching.key_wait import KeyWait
from packer.fetching.layer_fetcher import LayerFetcher
from packer.fetching.pacing.gate import Gate, Pause
from packer.fetching.refresh import Refresh
from packer.fetching.reports import Alarm, AreaCoverage, Departure, LayerProgress, LayerReport
from packer.geometry.tileset import TileSet
from packer.planning.brief import Layer
from packer.store.writer import PackWriter

__all__ = ["LayerRun", "plain_shares"]


@dataclass(slots=True)
class LayerRun:
    """A layer at work. `held` and `absent` are counts of the plan at the start, `todo` what it lacked."""

    layer: Layer
    source: Source
    pack: PackWriter
    gate: Gate
    fetcher: LayerFetcher
    batch_writer: BatchWriter
    planned: TileSet
    held: int
    absent: int
    todo: int
    tracker: CoverageTracker
    pace: Throughput
    refresh: Refresh
    areas: tuple[AreaCoverage, ...] = ()
    departure: Departure | None = None
    alarms: tuple[Alarm, ...] = ()

    @property
    def gates(self) -> tuple[Gate, ...]:
        """Its own gate, and those of the hosts that its tiles were sent on to."""
        return (self.gate, *self.fetcher.requests.used)

    @property
    def slowest_gate(self) -> Gate:
        """The gate whose pause holds the layer up, its own if none does."""
        return next((gate for gate in self.gates if gate.pause is not None), self.gate)

    @property
    def pause(self) -> Pause | None:
        """What the layer waits for, if it does."""
        return self.key_wait.pause or self.slowest_gate.pause

    @property
    def key_wait(self) -> KeyWait:
        """Where it waits for a key that works again."""
        return self.fetcher.key_wait

    @property
    def waited_s(self) -> float:
        """How long a host could not be reached, or took no key, so far."""
        return max(gate.waited_s for gate in self.gates) + self.key_wait.waited_s

    @property
    def settled(self) -> int:
        """Tiles stored or found absent in this run."""
        return self.fetcher.counts.stored + self.fetcher.counts.absent

    @property
    def missing(self) -> int:
        """What the plan still lacks."""
        return self.todo - self.settled

    @property
    def unasked(self) -> int:
        """Tiles of which it is not known yet what becomes of them in this run."""
        refresh = self.refresh.counts
        return self.missing - self.fetcher.counts.failed + refresh.left - refresh.failed

    def update(self, now: float, seconds_left: float | None, byte_budget: ByteBudget) -> None:
        """Work out how far the layer is, and will be after `seconds_left` (None: no limit)."""
        counts = self.fetcher.counts
        settled, counts.settled = counts.settled, []
        absent, counts.found_absent = counts.found_absent, []
        if settled:
            self.tracker.add(settled, absent)
        self.areas = self.tracker.now()
        self.pace.mark(now - self.waited_s, self.settled)
        self.departure = self._departure(now, seconds_left, byte_budget)
        self.alarms = tuple(
            Alarm(self.layer.name, sha256, tiles, str(example))
            for sha256, tiles, example in self.fetcher.reader.repeats.alarms()
        )

    def _departure(self, now: float, seconds_left: float | None, byte_budget: ByteBudget) -> Departure | None:
        most = math.inf
        if seconds_left is not None and (ends_at := self.key_wait.ends_at) is not None:
            seconds_left = min(
                seconds_left, max(ends_at - now, 0.0)
            )  # nobody may be there to give another key
        if seconds_left is not None:
            if (pace := self.pace.per_second) is None:
                return None
            most = pace * max(seconds_left, 0.0)
        if byte_budget.left is not None:
            most = min(most, byte_budget.left / byte_budget.typical_tile_bytes)
        if math.isinf(most):
            return None
        tiles = min(int(most), self.missing)
        return Departure(seconds_left, tiles, tiles == self.missing, self.tracker.after(tiles))

    def progress(self) -> LayerProgress:
        """How far the layer is, as last worked out."""
        counts = self.fetcher.counts
        return LayerProgress(
            self.layer.name,
            len(self.planned),
            self.held + counts.stored,
            self.absent + counts.absent,
            counts,
            self.pause,
            self.slowest_gate.host or self.source.host,
            self.areas,
            self.departure,
            self.alarms,
            self.refresh.counts,
            self.waited_s,
            self.fetcher.hands,
        )

    def report(self) -> LayerReport:
        """What the run did for the layer."""
        counts = self.fetcher.counts
        return LayerReport(
            planned=len(self.planned),
            held_before=self.held,
            requests=counts.requests,
            stored=counts.stored,
            bytes=counts.bytes,
            absent=self.absent + counts.absent,
            failed=counts.failed,
            missing=self.missing,
            failure=str(self.fetcher.failure) if self.fetcher.failure else None,
            troubles=dict(counts.troubles.most_common()),
            areas={s.area: plain_shares(s) for s in self.areas},
            refresh=self.refresh.counts.as_counts() if self.refresh.wanted else {},
            host=self.source.host,
            asked_less=counts.asked_less,
            never_came={
                str(zoom): n for zoom, n in sorted(Counter(t.zoom for t in counts.never_came).items())
            },
        )


def plain_shares(coverage: AreaCoverage) -> Mapping[str, float]:
    """Shares by zoom, rounded down to thousandths, as a report has them."""
    return {str(zoom): math.floor(share * 1000) / 1000 for zoom, share in coverage.shares}

"""Every chunk of a pack checked once, on all cores, and stopped in time where a time is set.

Small packs are checked here and now; large ones are shared out to processes, which take a moment to start, or to the
workers of a cluster.
Threads would not do: one body's hash takes so short a time that they would mostly wait for each other.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from packer.common.stop_signal import StopSignal
from packer.content.payload import fault_of
from packer.errors import StoreError
from packer.proof.cluster import LOOK_EVERY_S, ClusterPool, WorkerWait, at_same_version, cluster_faults
from packer.proof.results import Depth
from packer.store.audit_chunk import Check, Chunk, Fault, audit_chunk, audit_same_chunk, file_mark
from packer.version import __version__

__all__ = ["Sweeper"]

PIECE_BODIES = {Depth.HASH: 2_000, Depth.FULL: 200}  # some 30 ms of work each, at 15 kB a body
# Below this it takes longer to start processes: bodies to decode, and bytes to hash.
ALONE_BELOW = 1_000
LARGE_BYTES = 150_000_000

_Found = tuple[int, int, list[Fault]]


_MOST_PROCESSES = 61


class Sweeper:
    """The workers of one verify, started when they are first needed: `with Sweeper(depth) as sweeper`."""

    def __init__(
        self,
        depth: Depth,
        workers: int | None = None,
        ends: float | None = None,
        clock: Callable[[], float] = time.monotonic,
        stop: StopSignal | None = None,
        cluster: ClusterPool | None = None,
    ) -> None:
        self.depth = depth
        self._cluster = cluster
        # Windows waits for at most 63 things at once; the pool takes no more than 61 there.
        self._many = min(workers or os.cpu_count() or 1, _MOST_PROCESSES)
        self._ends, self._clock = ends, clock
        self._stop = stop or StopSignal()
        if cluster is not None:
            self._many = max(cluster.threads, 1)
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Sweeper:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)

    def stop(self) -> None:
        """Let the time be up now."""
        self._stop.set()

    @property
    def stopped(self) -> bool:
        """Whether the end was asked for, whatever time is left."""
        return self._stop.is_set()

    @property
    def over(self) -> bool:
        """Whether the time is up."""
        return self._stop.is_set() or (self._ends is not None and self._clock() >= self._ends)

    def make_ready(self, pack: Path) -> None:
        """Start processes now if the pack will take any: they start while other things are read."""
        if (
            self._cluster is None
            and self.depth is Depth.HASH
            and self._many > 1
            and pack.stat().st_size >= LARGE_BYTES
        ):
            for _ in range(self._many):
                self._started().submit(os.getpid)

    def sweep(self, pack: Path, kind: str | None, chunks: Sequence[tuple[int, Chunk]]) -> Iterator[_Found]:
        """Check numbered chunks of a pack whose format is `kind`; ends early when the time is up.

        Gives for each chunk its number, the bodies read and the placements not to be relied on, in any order.
        Raises StoreError or DiskError.
        """
        left = dict(chunks)
        check = partial(fault_of, kind=kind) if self.depth is Depth.FULL else None
        bodies = len(chunks) * PIECE_BODIES[self.depth]
        large = bodies >= ALONE_BELOW if check else pack.stat().st_size >= LARGE_BYTES
        if self._cluster is not None:
            yield from self._at_cluster(self._cluster, pack, left, check)
            return
        if large and self._many > 1:
            try:
                task = partial(audit_chunk, pack, check=check, mapped=check is None)
                for found in self._shared_out(self._started(), task, left):
                    del left[found[0]]
                    yield found
                return
            except BrokenProcessPool as fault:
                if check:
                    raise StoreError(
                        f"A process that decoded tiles of {pack} was ended from outside, or for lack of memory. "
                        "Verify again, or without --full."
                    ) from fault
                # What ends a process with a mapped file is an error told in words when the same place is read.
        for number, chunk in list(left.items()):
            if self.over:
                return
            yield number, *audit_chunk(pack, chunk, check)

    def _at_cluster(
        self, cluster: ClusterPool, pack: Path, chunks: Mapping[int, Chunk], check: Check | None
    ) -> Iterator[_Found]:
        task = partial(
            at_same_version, __version__, audit_same_chunk, pack.resolve(), file_mark(pack), check=check
        )
        what, again = f"the check of {pack}", "verify"
        with cluster_faults(cluster, what, again):
            absence = WorkerWait(cluster, what, again)
            yield from self._shared_out(cluster.executor, task, chunks, absence)

    def _shared_out(
        self,
        pool: Executor,
        task: Callable[..., tuple[int, list[Fault]]],
        chunks: Mapping[int, Chunk],
        absence: WorkerWait | None = None,
    ) -> Iterator[_Found]:
        """`absence` watches that somebody is at it, where workers may be lost."""
        waiting = iter(list(chunks.items()))
        under_way: dict[Future[tuple[int, list[Fault]]], int] = {}
        try:
            while True:
                # Not all at once, so that little is under way when the time is up.
                while len(under_way) < 3 * self._many and not self.over and (one := next(waiting, None)):
                    under_way[pool.submit(task, chunk=one[1])] = one[0]
                if not under_way:
                    return
                found = wait(under_way, None if absence is None else LOOK_EVERY_S, FIRST_COMPLETED).done
                if absence is not None and not found:
                    absence.look()
                    if absence.told and self.over:
                        return
                for done in found:
                    yield under_way.pop(done), *done.result()
        finally:
            for left in under_way:
                left.cancel()

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            # Fresh processes: a fork would carry over threads and locks of this one. Ctrl-C reaches the whole
            # group; what becomes of the work is decided here alone.
            self._pool = ProcessPoolExecutor(
                self._many, get_context("spawn"), signal.signal, (signal.SIGINT, signal.SIG_IGN)
            )
        return self._pool

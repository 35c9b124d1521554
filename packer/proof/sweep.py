"""Every piece of a pack checked once, on all cores, and stopped in time where a time is set.

Small packs are hashed by threads, since hashing and SQLite's reading let other threads run meanwhile and
processes take a moment to start. Large ones, and all decoding, are shared out to processes.
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
    ThreadPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

from packer.errors import StoreError
from packer.payload import fault_of
from packer.proof.results import Depth
from packer.store.audit import BadTile, Piece, audit_piece

__all__ = ["Sweeper"]

PIECE_BODIES = {Depth.HASH: 2_000, Depth.FULL: 200}  # some 30 ms of work each, at 15 kB a body
ALONE_BELOW = 1_000  # bodies; starting processes takes longer than decoding these
LARGE_BYTES = 400_000_000  # a second of hashing on a core: then processes are worth their start

T = TypeVar("T")
_Found = tuple[int, int, list[BadTile]]


class Sweeper:
    """The workers of one verify, started when they are first needed: `with Sweeper(depth) as sweeper`."""

    def __init__(
        self,
        depth: Depth,
        workers: int | None = None,
        ends: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.depth = depth
        self._many = workers or os.cpu_count() or 1
        self._ends, self._clock = ends, clock
        self._stopped = False
        self._pool: Executor | None = None

    def __enter__(self) -> Sweeper:
        return self

    def __exit__(self, *_: object) -> None:
        self._drop_pool()

    def stop(self) -> None:
        """Let the time be up now."""
        self._stopped = True

    @property
    def over(self) -> bool:
        """Whether the time is up."""
        return self._stopped or (self._ends is not None and self._clock() >= self._ends)

    def make_ready(self, size_bytes: int) -> None:
        """Start processes for a pack of this size now, if it will take any: they start while it is counted."""
        if self.depth is Depth.HASH and size_bytes >= LARGE_BYTES and self._many > 1:
            pool = self._started(processes=True)
            for _ in range(self._many):
                pool.submit(os.getpid)

    def sweep(self, pack: Path, kind: str | None, pieces: Sequence[tuple[int, Piece]]) -> Iterator[_Found]:
        """Check numbered pieces of a pack whose format is `kind`; ends early when the time is up.

        Gives for each piece its number, the bodies read and the placements not to be relied on, in any order.
        Raises StoreError or DiskError.
        """
        check = partial(fault_of, kind=kind) if self.depth is Depth.FULL else None
        if self._many == 1 or len(pieces) * PIECE_BODIES[self.depth] < ALONE_BELOW:
            for number, piece in pieces:
                if self.over:
                    return
                yield number, *audit_piece(pack, piece, check)
            return
        large = self.depth is Depth.HASH and pack.stat().st_size >= LARGE_BYTES
        left = dict(pieces)
        try:
            for found in self._shared_out(pack, left, check, large):
                del left[found[0]]
                yield found
        except BrokenProcessPool as fault:
            self._drop_pool()
            if not large:
                raise StoreError(
                    f"A process that decoded tiles of {pack} was ended from outside, or for lack of memory. "
                    "Verify again, or without --full."
                ) from fault
            # What ends a mapped process is a sound error, told in words, when the same place is read.
            yield from self._shared_out(pack, left, check, False)

    def _shared_out(
        self,
        pack: Path,
        pieces: Mapping[int, Piece],
        check: Callable[[bytes], str | None] | None,
        mapped: bool,
    ) -> Iterator[_Found]:
        pool = self._started(processes=mapped or check is not None)
        waiting = iter(list(pieces.items()))
        under_way: dict[Future[tuple[int, list[BadTile]]], int] = {}
        try:
            while True:
                # Not all at once, so that little is under way when the time is up.
                while len(under_way) < 2 * self._many and not self.over and (one := next(waiting, None)):
                    under_way[pool.submit(audit_piece, pack, one[1], check, mapped)] = one[0]
                if not under_way:
                    return
                for done in wait(under_way, return_when=FIRST_COMPLETED).done:
                    yield under_way.pop(done), *done.result()
        finally:
            for left in under_way:
                left.cancel()

    def _started(self, processes: bool) -> Executor:
        kind = ProcessPoolExecutor if processes else ThreadPoolExecutor
        if not isinstance(self._pool, kind):
            self._drop_pool()
            if processes:
                # Fresh processes: a fork would carry over threads and locks of this one. Ctrl-C reaches the
                # whole group; what becomes of the work is decided here alone.
                self._pool = ProcessPoolExecutor(
                    self._many, get_context("spawn"), signal.signal, (signal.SIGINT, signal.SIG_IGN)
                )
            else:
                self._pool = ThreadPoolExecutor(self._many)
        assert self._pool is not None
        return self._pool

    def _drop_pool(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None

"""Records on their way from many workers to the one writer, in batches of bounded size."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Sequence

from packer.store.records import Received, Record

__all__ = ["BatchWriter"]

# A kill loses at most what is in here and in flight; each commit costs one sync of the disk.
BATCH_RECORDS, BATCH_BYTES, BATCH_AGE_S = 256, 8_000_000, 0.5

Write = Callable[[Sequence[Record], int], Awaitable[None]]


class BatchWriter:
    """Gathers records until a batch is full or half a second old, then has it written.

    At most one batch gathers while one is being written: that is what a kill can cost, besides what is in
    flight.
    """

    def __init__(self, write: Write, batch_records: int = BATCH_RECORDS) -> None:
        self._write, self._most = write, batch_records
        self._records: list[Record] = []
        self._bytes = 0
        self._requests = 0
        self._begun, self._full, self._room = asyncio.Event(), asyncio.Event(), asyncio.Event()
        self._ended = False
        self._room.set()

    def asked(self) -> None:
        """Note one more request sent, to be written down with the next batch."""
        self._requests += 1
        self._begun.set()

    async def add(self, record: Record) -> None:
        """Take a record, waiting while the writer is behind.

        If cancelled: the record may be lost, and its tile is then asked for again by the next run.
        """
        if not self._room.is_set():
            await self._room.wait()
        self._records.append(record)
        self._begun.set()
        if isinstance(record, Received):
            self._bytes += len(record.data)
        if len(self._records) >= self._most or self._bytes >= BATCH_BYTES:
            self._full.set()
            self._room.clear()

    def end(self) -> None:
        """No record comes any more."""
        self._ended = True
        self._begun.set()
        self._full.set()

    async def run(self) -> None:
        """Write batches until `end` was called and all is written; raises what the writer raises.

        If cancelled: the batch being written is committed or rolled back whole; later records are lost.
        """
        while True:
            if not self._full.is_set():
                await self._ripe()
            ended = self._ended
            batch, requests = self._records, self._requests
            self._records, self._requests, self._bytes = [], 0, 0
            if not ended:
                self._begun.clear()
                self._full.clear()
            self._room.set()
            if batch or requests:
                await self._write(batch, requests)
            if ended and not self._records:
                return

    async def _ripe(self) -> None:
        await self._begun.wait()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(BATCH_AGE_S):
                await self._full.wait()

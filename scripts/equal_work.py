#!/usr/bin/env python3
"""The same work as a fetch, done plainly: what Lastbar's own cost is measured against.

    python scripts/equal_work.py script FOLDER PORT COUNT CONNECTIONS ENDING
    python scripts/equal_work.py curl   FOLDER PORT COUNT CONNECTIONS ENDING

Both take COUNT tiles of zoom 15 from a file server, prove each whole as Lastbar does (checksums of a PNG, all bits of a
JPEG), hash it, and commit it to MBTiles tables in batches of 256, each commit synced as Lastbar's are.

`script` is one asyncio program over the same client that Lastbar uses: so many workers that each ask for a tile and
check it, and a thread that commits. `curl` has curl write loose files first; then a pool of processes reads, checks
and hashes them, and the parent commits. Neither retries, waits for a server that is busy, keeps to a rate, goes on
where it stopped, tells a sign-in page or shows progress.
"""

from __future__ import annotations

import asyncio
import hashlib
import os
import sqlite3
import subprocess
import sys
import time
import zlib
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from datetime import timedelta
from itertools import islice
from pathlib import Path

COLUMNS, BATCH = 200, 256
Row = tuple[int, int, int, bytes, bytes]
"""Zoom, column, TMS row, SHA-256 and body of a tile."""


def tiles(count: int) -> list[tuple[int, int, int]]:
    """The tiles that the benchmarks lay out, row by row."""
    return [(15, 17000 + i % COLUMNS, 10000 + i // COLUMNS) for i in range(count)]


def checked(data: bytes) -> bytes:
    """The SHA-256 of a whole picture. Raises ValueError for one that is not whole."""
    if data[:4] == b"\x89PNG":
        place, kind = 8, b""
        while place < len(data):
            length = int.from_bytes(data[place : place + 4])
            kind, end = data[place + 4 : place + 8], place + 8 + length
            if zlib.crc32(memoryview(data)[place + 4 : end]) != int.from_bytes(data[end : end + 4]):
                raise ValueError("a chunk is damaged")
            place = end + 4
        if kind != b"IEND" or place != len(data):
            raise ValueError("it was cut")
    else:
        import simplejpeg

        simplejpeg.decode_jpeg(data, colorspace="GRAY", strict=True, min_height=1, min_width=1)
        if data[-2:] != b"\xff\xd9":
            raise ValueError("it was cut")
    return hashlib.sha256(data).digest()


class Store:
    """MBTiles tables as a pack has them: each body once under its hash, and a row for each place."""

    def __init__(self, path: Path) -> None:
        self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        self._db.executescript(
            "PRAGMA journal_mode = TRUNCATE; PRAGMA synchronous = EXTRA; PRAGMA cache_size = -32768;"
            "CREATE TABLE blob (id INTEGER PRIMARY KEY, hash BLOB NOT NULL UNIQUE, data BLOB NOT NULL);"
            "CREATE TABLE placement (zoom_level INTEGER, tile_column INTEGER, tile_row INTEGER, blob_id INTEGER,"
            " seal BLOB, fetched INTEGER);"
            "CREATE UNIQUE INDEX tile_index ON placement (zoom_level, tile_row, tile_column);"
            "CREATE INDEX blob_use ON placement (blob_id);"
        )

    def commit(self, rows: list[Row]) -> None:
        now = int(time.time())
        self._db.execute("BEGIN IMMEDIATE")
        self._db.executemany(
            "INSERT INTO blob (hash, data) VALUES (?, ?) ON CONFLICT (hash) DO NOTHING", [r[3:] for r in rows]
        )
        self._db.executemany(
            "INSERT INTO placement SELECT ?, ?, ?, id, ?, ? FROM blob WHERE hash = ?",
            [
                (z, x, y, hashlib.sha256(b"%d/%d/%d" % (z, x, y) + h).digest(), now, h)
                for z, x, y, h, _ in rows
            ],
        )
        self._db.execute("COMMIT")


def row(tile: tuple[int, int, int], data: bytes) -> Row:
    z, x, y = tile
    return z, x, (1 << z) - 1 - y, checked(data), data


async def script(store: Store, port: int, count: int, connections: int, ending: str) -> None:
    """A worker for each connection; whoever fills a batch has the thread commit it."""
    from pyreqwest.client import ClientBuilder

    left, batch = iter(tiles(count)), list[Row]()
    thread, loop = ThreadPoolExecutor(1), asyncio.get_running_loop()
    commits = []

    async def work() -> None:
        nonlocal batch
        builder = ClientBuilder().http1_only().max_connections(1).timeout(timedelta(seconds=30))
        async with builder.build() as client:
            for z, x, y in left:
                response = await client.get(f"http://127.0.0.1:{port}/{z}/{x}/{y}.{ending}").build().send()
                if response.status != 200:
                    raise ValueError(f"status {response.status}")
                batch.append(row((z, x, y), bytes(await response.bytes())))
                if len(batch) >= BATCH:
                    full, batch = batch, []
                    commits.append(loop.run_in_executor(thread, store.commit, full))

    async with asyncio.TaskGroup() as group:
        for _ in range(connections):
            group.create_task(work())
    await asyncio.gather(*commits)
    store.commit(batch)


def read_row(job: tuple[tuple[int, int, int], str]) -> Row:
    tile, path = job
    return row(tile, Path(path).read_bytes())


def batched(rows: Iterable[Row]) -> Iterable[list[Row]]:
    source = iter(rows)
    while some := list(islice(source, BATCH)):
        yield some


def curl(store: Store, folder: Path, port: int, count: int, connections: int, ending: str) -> None:
    """Curl into loose files, then a pool over the files."""
    (folder / "out").mkdir()
    jobs = [(tile, f"{folder}/out/{tile[1]}-{tile[2]}") for tile in tiles(count)]
    (folder / "urls").write_text(
        "".join(
            f'url = "http://127.0.0.1:{port}/{z}/{x}/{y}.{ending}"\noutput = "{path}"\n'
            for (z, x, y), path in jobs
        )
    )
    command = ["curl", "-s", "--parallel", "--parallel-max", str(connections), "-K", str(folder / "urls")]
    subprocess.run(command, check=True)
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for some in batched(pool.map(read_row, jobs, chunksize=100)):
            store.commit(some)


def main() -> None:
    how, folder, port, count, connections, ending = sys.argv[1:]
    store = Store(Path(folder) / f"{how}.mbtiles")
    if how == "script":
        import uvloop

        uvloop.run(script(store, int(port), int(count), int(connections), ending))
    else:
        curl(store, Path(folder), int(port), int(count), int(connections), ending)


if __name__ == "__main__":
    main()

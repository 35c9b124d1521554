#!/usr/bin/env python3
"""Measure a handover of some gigabytes: parts below FAT32's limit, read back, and a flipped bit found.

    .venv/bin/python scripts/bench_handover.py --gigabytes 6

Makes a pack of so many bytes in a temporary folder, hands it over in parts, inspects the copy, flips one bit
and inspects it again. Needs a little more than twice the size as free disk, which is checked first.
"""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import io
import resource
import shutil
import struct
import sys
import tempfile
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from PIL import Image

from packer.geometry.tileset import Tile
from packer.handover import handover, inspect_folder
from packer.handover.kinds import As
from packer.handover.target import FAT_LIMIT_BYTES
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.store.records import Received
from packer.store.writer import Labels, PackWriter

_BRIEF = """
title = "Handover measurement"
[layers.aerial]
url = "http://127.0.0.1:1/{z}/{x}/{y}"
attribution = "Invented"
permission = "Invented"
zooms = [0, 16]
[[areas]]
name = "block"
box = [12.00, 47.00, 12.90, 47.50]
deepest = 16
"""
_BATCH = 64


def bodies(tiles: Iterator[Tile], size_bytes: int, seed: int) -> Iterator[tuple[Tile, bytes]]:
    """Whole PNG pictures that decode, each made large and unlike any other by a chunk of random bytes."""
    small = io.BytesIO()
    Image.new("RGB", (256, 256), (90, 120, 60)).save(small, "PNG")
    picture = small.getvalue()
    chance = np.random.default_rng(seed)
    for tile in tiles:
        chunk = b"ranD" + chance.bytes(max(size_bytes - len(picture) - 12, 1))
        framed = struct.pack(">I", len(chunk) - 4) + chunk + struct.pack(">I", zlib.crc32(chunk))
        yield tile, picture[:-12] + framed + picture[-12:]  # before the last chunk, IEND


async def make_pack(path: Path, worked_out: Plan, size_bytes: int) -> None:
    """Write the source pack. If cancelled: the pack holds some of the tiles."""
    labels = Labels(
        layer="aerial",
        kind="png",
        title="Handover measurement",
        attribution="Invented",
        permission="Invented",
        host="127.0.0.1:1",
        fingerprint="0" * 16,
        bounds=worked_out.bounds,
        middle=worked_out.middle,
        center_zoom=12,
        plan=worked_out.fingerprint,
        rule=worked_out.rule,
        version="0",
    )
    async with PackWriter(path, labels) as pack:
        batch: list[Received] = []
        for tile, data in bodies(iter(worked_out.layers["aerial"].tiles), size_bytes, 1):
            batch.append(Received(tile, data, hashlib.sha256(data).digest(), "png", 1_900_000_000))
            if len(batch) == _BATCH:
                await pack.write(batch)
                batch = []
        if batch:
            await pack.write(batch)


def told(what: str, started: float, size_bytes: int) -> None:
    took = time.perf_counter() - started
    print(f"{what:<28} {took:8.1f} s  {size_bytes / took / 1e6:8.0f} MB/s")


def flip_a_bit(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2)
        byte = file.read(1)[0]
        file.seek(-1, 1)
        file.write(bytes([byte ^ 1]))


def measure(folder: Path, gigabytes: float, limit: int, kind: As) -> int:
    brief = Brief.from_text(_BRIEF, folder / "brief.toml")
    worked_out = plan(brief)
    total = int(gigabytes * 1e9)
    size = total // worked_out.count
    print(f"{worked_out.count:,} tiles of {size:,} bytes")
    started = time.perf_counter()
    asyncio.run(make_pack(brief.store_folder / "aerial.mbtiles", worked_out, size))
    told("making the source pack", started, total)
    started = time.perf_counter()
    report = handover(brief, worked_out, None, folder / "card", as_=kind, max_file_bytes=limit)
    copy = report.copies[0]
    told("handover with reading back", started, copy.size_bytes)
    for file in copy.manifest.files:
        print(f"  {file.name:<28} {file.size_bytes:>14,} bytes")
    largest = max(file.size_bytes for file in copy.manifest.files)
    print(
        f"  foretold {copy.predicted_bytes:,}, written {copy.size_bytes:,}, largest {largest:,} of {limit:,}"
    )
    started = time.perf_counter()
    intact = inspect_folder(folder / "card").intact
    told("inspection", started, copy.size_bytes)
    maps = [file.name for file in copy.manifest.files if file.kind != "text"]
    flip_a_bit(folder / "card" / maps[-1])
    found = {f.name: f.state for f in inspect_folder(folder / "card").files if f.state != "intact"}
    print(f"intact before: {intact}; after flipping one bit of {maps[-1]}: {found}")
    print(f"most memory held: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")
    good = intact and found == {maps[-1]: "changed"} and largest <= limit and report.complete
    print("as promised" if good else "NOT as promised")
    return 0 if good else 1


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--gigabytes", type=float, default=6.0)
    parser.add_argument("--max-file-bytes", type=int, default=FAT_LIMIT_BYTES)
    parser.add_argument("--as", dest="kind", choices=["mbtiles", "gpkg"], default="mbtiles")
    parser.add_argument("--into", type=Path, default=None, help="folder for the temporary folder")
    asked = parser.parse_args()
    where = asked.into or Path(tempfile.gettempdir())
    needed, free = int(asked.gigabytes * 1e9 * 2.3), shutil.disk_usage(where).free
    if needed > free:
        print(f"{where} has {free / 1e9:.1f} GB free and this needs {needed / 1e9:.1f} GB.", file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory(prefix="handover-", dir=where) as folder:
        return measure(Path(folder), asked.gigabytes, asked.max_file_bytes, asked.kind)


if __name__ == "__main__":
    sys.exit(main())

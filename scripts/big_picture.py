"""A picture of gigabytes, cut by `lastbar take-in`: memory, kills, and whether the tiles lie where the picture does.

    python -m scripts.big_picture FOLDER ELEVATION.npz [--gigabytes 2.2] [--deepest 15]

ELEVATION.npz is `jacksboro_fault_dem.npz` out of the wheel of matplotlib (in mpl-data/sample_data): real elevation of
the Jacksboro fault in Tennessee, 344 x 403 values, 3 seconds of arc apart. It is enlarged, shaded and given grain, and
written as a GeoTIFF in UTM zone 16N. That is cut twice: in one go, and killed (SIGKILL) three times. Then both packs
have to hold the same tiles, byte for byte; and at places drawn by chance a tile has to show what rasterio reads there.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import rasterio
from PIL import Image
from rasterio.transform import Affine
from rasterio.warp import transform
from rasterio.windows import Window

from packer.content.rasters.encoding import pixels_of
from packer.geometry.grid import MAX_ZOOM, tms_row, x_at, y_at

_WEST, _SOUTH = -84.41375, 36.4463  # its ymin and ymax are exchanged in the file
_STRIP = 512
_BRIEF = """title = "A large picture"
[layers.drone]
pictures = true
attribution = "Own"
permission = "Own"
format = "webp"
[[areas]]
name = "all of it"
box = [-84.42, 36.42, -84.07, 36.75]
deepest = {deepest}
at-least = 10
[overview]
margin = "1 km"
deepest = 9
"""


def make_picture(path: Path, elevation: Path, gigabytes: float) -> None:
    """Write the GeoTIFF, uncompressed and in tiles, some rows at a time."""
    metres = np.load(elevation)["elevation"].astype(np.float32)
    times = int(np.sqrt(gigabytes * 1e9 / 3 / metres.size)) + 1
    height, width = (side * times for side in metres.shape)
    (x,), (y,) = transform("EPSG:4326", "EPSG:26916", [_WEST], [_SOUTH + metres.shape[0] / 1200])
    pixel_m = 82.0 / times
    grain = np.random.default_rng(7)
    with rasterio.open(
        path, "w", driver="GTiff", width=width, height=height, count=3, dtype="uint8", crs="EPSG:26916",
        transform=Affine(pixel_m, 0, x, 0, -pixel_m, y), tiled=True, blockxsize=512, blockysize=512, BIGTIFF="YES",
    ) as into:  # fmt: skip
        whole = Image.fromarray(metres)
        for top in range(0, height, _STRIP):
            rows = min(_STRIP, height - top)
            box = (0, top / times, metres.shape[1], (top + rows) / times)
            ground = np.array(whole.resize((width, rows), Image.Resampling.BICUBIC, box=box))
            shade = np.clip(128 + 40 * np.gradient(ground, axis=1) * times, 30, 225)
            noise = grain.integers(-12, 13, (rows, width))
            low, high = metres.min(), metres.max()
            tint = (ground - low) / (high - low)
            bands = [
                np.clip(shade * factor + noise, 0, 255) for factor in (0.7 + 0.3 * tint, 1 - 0.2 * tint, 0.6)
            ]
            into.write(np.stack(bands).astype(np.uint8), window=Window(0, top, width, rows))
    print(
        f"{path}: {width:,} x {height:,} px, {path.stat().st_size:,} bytes, {pixel_m:.3f} m a pixel",
        flush=True,
    )


def begin(folder: Path, picture: Path, deepest: int) -> subprocess.Popen[bytes]:
    """Start cutting."""
    folder.mkdir(exist_ok=True)
    (folder / "brief.toml").write_text(_BRIEF.format(deepest=deepest))
    command = [
        sys.executable,
        "-m",
        "packer",
        "take-in",
        str(folder / "brief.toml"),
        "drone",
        str(picture),
        "--yes",
        "--json",
    ]
    log = (folder / "log.txt").open("ab")
    return subprocess.Popen(command, stdout=log, stderr=log)


def end(process: subprocess.Popen[bytes]) -> tuple[int, float]:
    """Wait for a run; its exit code and its largest resident size in MB."""
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return process.returncode, usage.ru_maxrss / 1024


def stored(folder: Path) -> int:
    """The tiles committed so far."""
    pack = folder / "packs" / "drone.mbtiles"
    if not pack.exists():
        return 0
    with sqlite3.connect(f"file:{pack}?mode=ro", uri=True, timeout=60) as db:
        return int(db.execute("SELECT count(*) FROM placement").fetchone()[0])


def tiles(folder: Path) -> set[tuple[object, ...]]:
    """Every tile with its place, the hash of its body and its mark."""
    with sqlite3.connect(folder / "packs" / "drone.mbtiles") as db:
        return set(
            db.execute(
                "SELECT zoom_level, tile_column, tile_row, hash, etag FROM placement JOIN blob ON blob.id = blob_id"
            )
        )


def differences(folder: Path, picture: Path, places: int) -> np.ndarray:
    """Mean differences, 0 to 255, between what tiles of the deepest zoom show and what rasterio reads at the same
    places: of 9 x 9 px of the picture round each."""
    with sqlite3.connect(folder / "packs" / "drone.mbtiles") as db, rasterio.open(picture) as source:
        zoom = db.execute("SELECT max(zoom_level) FROM placement").fetchone()[0]
        chance, found = random.Random(3), []
        side = 1 << zoom
        while len(found) < places:
            column, row = chance.randrange(50, source.width - 50), chance.randrange(50, source.height - 50)
            (lon,), (lat,) = transform(source.crs, "EPSG:4326", *([v] for v in source.xy(row, column)))
            x, y = float(x_at(lon)) * side, float(y_at(lat)) * side
            body = db.execute(
                "SELECT tile_data FROM tiles WHERE zoom_level = ? AND tile_column = ? AND tile_row = ?",
                (zoom, int(x), tms_row(zoom, int(y))),
            ).fetchone()
            across, down = int(x % 1 * 256), int(y % 1 * 256)
            if body is None or not (4 < across < 251 and 4 < down < 251):
                continue
            shown = pixels_of(body[0])[down - 2 : down + 3, across - 2 : across + 3, :3].mean()
            there = source.read(window=Window(column - 4, row - 4, 9, 9)).mean()
            found.append(abs(float(shown) - float(there)))
    assert zoom <= MAX_ZOOM
    return np.array(found)


def main() -> None:
    """Make the picture, cut it in one go and with three kills, and compare."""
    read = argparse.ArgumentParser()
    read.add_argument("folder", type=Path)
    read.add_argument("elevation", type=Path)
    read.add_argument("--gigabytes", type=float, default=2.2)
    read.add_argument(
        "--deepest", type=int, default=17, help="deepest zoom asked for; its own detail ends at 16"
    )
    asked = read.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    picture = asked.folder / "picture.tif"
    if not picture.exists():
        make_picture(picture, asked.elevation, asked.gigabytes)
    results: dict[str, object] = {"picture_bytes": picture.stat().st_size}
    whole, broken = asked.folder / "whole", asked.folder / "broken"
    began = time.monotonic()
    code, peak = end(begin(whole, picture, asked.deepest))
    results |= {
        "exit": code,
        "seconds": round(time.monotonic() - began),
        "peak_mb": round(peak),
        "tiles": stored(whole),
    }
    print(json.dumps(results), flush=True)
    kills, peaks = [], []
    for share in (0.02, 0.35, 0.75):
        process = begin(broken, picture, asked.deepest)
        while stored(broken) < share * stored(whole) and process.poll() is None:
            time.sleep(0.2)
        time.sleep(random.Random(share).random())
        process.kill()
        peaks.append(end(process)[1])
        kills.append(stored(broken))
    code, last = end(begin(broken, picture, asked.deepest))
    apart = differences(broken, picture, 200)
    results |= {
        "killed_at_tiles": kills,
        "exit_after_kills": code,
        "peak_mb_with_kills": round(max(*peaks, last)),
        "equal": tiles(whole) == tiles(broken),
        "mean_difference": round(float(apart.mean()), 2),
        "largest_difference": round(float(apart.max()), 1),
    }
    print(json.dumps(results, indent=2), flush=True)


if __name__ == "__main__":
    main()

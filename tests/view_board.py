"""An invented basin with a course through it, packed as a fetch would pack it, with holes where a test wants."""

from __future__ import annotations

import asyncio
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image

from packer.content.digest import body_hash
from packer.geometry.grid import Floats
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.store.records import Absent, Received, Record
from packer.store.writer import Labels, PackWriter

__all__ = ["HOSTILE", "Board", "build", "labels_for", "received"]

HOSTILE = (
    "<script>window.pwned = 1</script><img src=x onerror='window.pwned = 2'>© Invented Survey & Co "
    '<a href="https://survey.example.org/terms" onclick="window.pwned = 3">terms</a> '
    '<a href="javascript:window.pwned = 4">more</a>'
)

_BRIEF = """
title = "Ketterling Basin <b>reconnaissance</b>"
[layers.aerial]
url = "http://127.0.0.1:1/aerial/{z}/{x}/{y}.jpg?key=${SECRET_VIEW_KEY}"
attribution = 'ATTRIBUTION'
permission = "Made by this test"
zooms = [10, 15]
[layers."ground 2"]
url = "http://127.0.0.1:1/ground/{z}/{x}/{y}.png"
attribution = "Invented Mapping Office"
permission = "Made by this test"
zooms = [10, 13]
[[areas]]
name = "course"
line = "course.gpx"
half-width = "250 m"
deepest = 15
[[areas]]
name = "base camp"
point = [12.4500, 47.0900]
radius = "700 m"
deepest = 15
[[areas]]
name = "valley"
box = [12.46, 47.05, 12.53, 47.08]
deepest = 13
"""
_COURSE = [
    (12.45, 47.09),
    (12.462, 47.094),
    (12.474, 47.09),
    (12.486, 47.098),
    (12.502, 47.1),
    (12.521, 47.111),
]
_SPRING = '<wpt lat="47.098" lon="12.486"><name>Spring &lt;img src=x onerror=alert(1)&gt;</name></wpt>'


@dataclass(frozen=True)
class Board:
    """A brief with its plan and the folder of its packs."""

    brief: Brief
    plan: Plan
    store: Path


def build(
    folder: Path,
    *,
    leave_out: Callable[[str, Tile], bool] = lambda _layer, _tile: False,
    absent: Sequence[Tile] = (),
    places: str = _SPRING,
) -> Board:
    """Packs of all planned tiles but those to `leave_out`; `absent` is what the server of "aerial" has not,
    `places` the waypoints of the course as GPX."""
    points = "".join(f'<trkpt lat="{lat}" lon="{lon}"/>' for lon, lat in _COURSE)
    gpx = f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">{places}'
    (folder / "course.gpx").write_text(f"{gpx}<trk><trkseg>{points}</trkseg></trk></gpx>", encoding="utf-8")
    attribution = HOSTILE.replace("'", '"')
    text = _BRIEF.replace("ATTRIBUTION", attribution)
    (folder / "brief.toml").write_text(text, encoding="utf-8")
    brief = Brief.from_text(text, folder / "brief.toml")
    worked_out = plan(brief)
    for name, layer in worked_out.layers.items():
        none = [Absent(t, 404, 0) for t in absent if name == "aerial"]
        tiles = [t for t in layer.tiles if not leave_out(name, t) and (name != "aerial" or t not in absent)]
        records: list[Record] = [*none, *(received(name, t) for t in tiles)]
        asyncio.run(
            _write(folder / "packs" / f"{name}.mbtiles", labels_for(brief, worked_out, name), records)
        )
    return Board(brief, worked_out, folder / "packs")


def labels_for(brief: Brief, worked_out: Plan, name: str) -> Labels:
    """The labels that a fetch of this layer would write."""
    layer, kind = brief.layers[name], "jpg" if name == "aerial" else "png"
    return Labels(
        name, kind, brief.title, layer.attribution, layer.permission, "127.0.0.1:1", "f" * 16,
        worked_out.bounds, worked_out.middle, 12, worked_out.fingerprint, worked_out.rule, "0",
    )  # fmt: skip


@cache  # the same ground for many boards
def received(layer: str, tile: Tile) -> Received:
    """A drawn tile as a fetch would hand it over."""
    body = _jpg(tile) if layer == "aerial" else _png(tile)
    return Received(tile, body, body_hash(body), "jpg" if layer == "aerial" else "png", 0)


async def _write(path: Path, labels: Labels, records: list[Record]) -> None:
    """If cancelled: as for PackWriter."""
    async with PackWriter(path, labels, lambda: 0.0) as pack:
        await pack.write(records)


def _heights(tile: Tile, side: int) -> Floats:
    """Invented hills, seamless over the whole grid, side + 1 samples each way."""
    at = np.arange(side + 1) / side
    x = (tile.x + at)[None, :] / 2**tile.zoom * 3600
    y = (tile.y + at)[:, None] / 2**tile.zoom * 3600
    hills = 900 + 420 * np.sin(x) * np.cos(y * 0.8) + 170 * np.sin(2.3 * x + 1.9 * y + 1.5 * np.sin(x - y))
    rough = 70 * np.sin(6.3 * x + 2 * np.sin(3 * y)) * np.sin(7.1 * y) + 9 * np.sin(23 * x) * np.sin(
        27 * y + x
    )
    return np.asarray(hills + rough)


def _jpg(tile: Tile) -> bytes:
    h = _heights(tile, 128)
    slope = (np.diff(h, axis=0)[:, :-1] + np.diff(h, axis=1)[:-1]) * 2 ** (tile.zoom - 10)
    light = np.clip(0.72 + slope / 140, 0.25, 1.15)[..., None]
    high = np.clip((h[:-1, :-1, None] - 500) / 900, 0, 1)
    colour = (1 - high) * np.array([86, 118, 70]) + high * np.array([196, 184, 160])
    return _saved(
        Image.fromarray(np.clip(colour * light, 0, 255).astype(np.uint8)).resize((256, 256)), "JPEG"
    )


def _png(tile: Tile) -> bytes:
    h = _heights(tile, 256)
    step = {10: 200, 11: 100}.get(tile.zoom, 50)
    lines = (np.diff(np.floor(h / step), axis=0)[:, :-1] != 0) | (
        np.diff(np.floor(h / step), axis=1)[:-1] != 0
    )
    picture = np.full((256, 256, 3), (238, 241, 228), np.uint8)
    picture[h[:-1, :-1] < 700] = (206, 226, 200)
    picture[lines] = (168, 132, 96)
    return _saved(Image.fromarray(picture).quantize(16), "PNG")


def _saved(picture: Image.Image, kind: str) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind)
    return out.getvalue()

"""Packs for the handover tests: invented ground, drawn by formula, so that every pixel is known beforehand."""

from __future__ import annotations

import asyncio
import hashlib
import io
import os
import random
import signal
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache
from multiprocessing.synchronize import Event
from pathlib import Path

from PIL import Image

from packer.geometry.tileset import Tile
from packer.handover import DeviceCrew, handover
from packer.handover.kinds import As
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.store.records import Absent, Received, Record
from packer.store.writer import Labels, PackWriter

KEY = "s3cret-key-of-the-tests"
HOST = "tiles.invented.example"
DAY = 1_900_000_000  # 2030-03-17T17:46:40Z

_BRIEF = """
title = "Ketterling Basin reconnaissance"
[layers.aerial]
url = "https://{host}/aerial/{{z}}/{{x}}/{{y}}?key={key}"
attribution = "Example Survey"
permission = "Own server"
zooms = [0, 15]
[layers."{second}"]
url = "https://{host}/topo/{{z}}/{{x}}/{{y}}?key={key}"
attribution = "Example Topography"
permission = "Own drawing"
zooms = [0, 13]
[overview]
margin = "1 km"
deepest = 9
[[areas]]
name = "west"
box = [12.30, 47.00, 12.36, 47.03]
deepest = {deepest}
[[areas]]
name = "east"
box = [12.60, 47.10, 12.65, 47.13]
deepest = 14
layers = ["aerial"]
"""


def brief_in(folder: Path, deepest: int = 15, second: str = "topo") -> tuple[Brief, Plan]:
    """A brief of two layers, of which the second may have another name, and two areas, with its plan."""
    text = _BRIEF.format(host=HOST, key=KEY, deepest=deepest, second=second)
    brief = Brief.from_text(text, folder / "brief.toml")
    return brief, plan(brief)


def written_brief(folder: Path, deepest: int = 15) -> tuple[Brief, Plan]:
    """As `brief_in`, with the brief on disk for the command to read."""
    brief, worked_out = brief_in(folder, deepest)
    text = _BRIEF.format(host=HOST, key=KEY, deepest=deepest, second="topo")
    brief.path.write_text(text, encoding="utf-8")
    return brief, worked_out


def colour(tile: Tile) -> tuple[int, int, int]:
    """The colour of a tile's upper left quarter; the rest is darker, so that a turned tile is noticed."""
    return tile.x * 7 % 200 + 55, tile.y * 11 % 200 + 55, tile.zoom * 10 + 55


@lru_cache(maxsize=2000)
def picture(tile: Tile, form: str = "PNG", px: int = 256, noise: int = 0) -> bytes:
    """A tile; `noise` adds so many bytes' worth of pixels that do not compress."""
    image = Image.new("RGB", (px, px), tuple(c // 2 for c in colour(tile)))
    image.paste(colour(tile), (0, 0, px // 2, px // 2))
    if noise:
        grain = random.Random(repr(tile)).randbytes(noise // 3 * 3)
        rows = max(1, noise // 3 // px)
        image.paste(Image.frombytes("RGB", (px, rows), grain[: px * rows * 3]), (0, px - rows))
    out = io.BytesIO()
    options: dict[str, dict[str, int]] = {
        "PNG": {"compress_level": 1},
        "WEBP": {"lossless": 1},
        "JPEG": {"quality": 95},
    }
    image.save(out, form, **options[form])
    return out.getvalue()


def received(tile: Tile, data: bytes, kind: str = "png", fetched: int = DAY) -> Received:
    return Received(tile, data, hashlib.sha256(data).digest(), kind, fetched + tile.zoom * 3600)


def build(path: Path, kind: str, records: Iterable[Record], worked_out: Plan) -> None:
    """Write a pack through the one writer there is."""
    labels = Labels(
        layer=path.stem,
        kind=kind,
        title="Ketterling Basin reconnaissance",
        attribution="Example Survey",
        permission="Own server",
        host=HOST,
        fingerprint="0" * 16,
        bounds=worked_out.bounds,
        middle=worked_out.middle,
        center_zoom=10,
        plan=worked_out.fingerprint,
        rule=worked_out.rule,
        version="0",
    )

    async def write() -> None:
        async with PackWriter(path, labels, clock=lambda: DAY) as pack:
            batch = list(records)
            for start in range(0, len(batch), 200):
                await pack.write(batch[start : start + 200])

    asyncio.run(write())


def packs(
    brief: Brief,
    worked_out: Plan,
    *,
    shuffle: int | None = None,
    absent: Mapping[str, set[Tile]] | None = None,
    missing: Mapping[str, set[Tile]] | None = None,
    draw: Callable[[Tile], bytes] = picture,
) -> None:
    """The packs of a brief as a fetch leaves them, in the plan's order or shuffled."""
    for name, layer in worked_out.layers.items():
        records: list[Record] = []
        for tile in layer.tiles:
            if tile in (absent or {}).get(name, set()):
                records.append(Absent(tile, 404, DAY))
            elif tile not in (missing or {}).get(name, set()):
                records.append(received(tile, draw(tile)))
        if shuffle is not None:
            random.Random(shuffle).shuffle(records)
        build(brief.store_folder / f"{name}.mbtiles", "png", records, worked_out)


def hand_over_again_and_again(folder: Path, card: Path, started: Event) -> None:
    """The work of a process that is killed from outside."""
    brief, worked_out = brief_in(folder, deepest=13)
    started.set()
    while True:
        handover(brief, worked_out, None, card)


def die_before(folder: Path, card: Path, kind: As, step: int, crews: Sequence[DeviceCrew] = ()) -> None:
    """Hand over, and be killed just before the file operation of this number on the card."""
    steps = 0

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        nonlocal steps
        if event in ("open", "os.rename", "os.remove", "os.mkdir", "sqlite3.connect"):
            steps += str(card) in str(arguments[0])
            if steps == step:
                os.kill(os.getpid(), signal.SIGKILL)

    brief, worked_out = brief_in(folder, deepest=13)
    sys.addaudithook(hook)
    handover(brief, worked_out, None, card, as_=kind, crews=crews)


BLEND_BATCH = 4
_LAYERED = """
title = "Ketterling Basin from above"
overview = false
[layers.aerial]
url = "https://{host}/aerial/{{z}}/{{x}}/{{y}}"
attribution = "Example Survey"
permission = "Own server"
zooms = [11, 13]
[layers.drone]
url = "https://{host}/drone/{{z}}/{{x}}/{{y}}"
attribution = "Example Survey"
permission = "Own server"
zooms = [12, 14]
over = "aerial"
[layers.marks]
url = "https://{host}/marks/{{z}}/{{x}}/{{y}}"
attribution = "Example Survey"
permission = "Own drawing"
zooms = [12, 13]
over = "aerial"
[[areas]]
name = "basin"
box = [12.30, 47.00, 12.38, 47.04]
deepest = {{ aerial = 13, drone = 14, marks = 13 }}
"""


def layered_brief(folder: Path) -> Brief:
    """A brief of a layer and two that lie over it, on disk."""
    path = folder / "brief.toml"
    path.write_text(_LAYERED.format(host=HOST), encoding="utf-8")
    return Brief.read(path)


@lru_cache(maxsize=2000)
def layered_picture(layer: str, tile: Tile, seed: int = 0) -> bytes:
    """A small tile of a layer of that brief: opaque below, half covering or see-through above."""
    image = Image.new("RGBA", (16, 16), (*((c + 20 * seed) % 256 for c in colour(tile)), 255))
    if layer != "aerial":
        image.paste((seed * 20, 90, 30, 0), (0, 0, 16, 8))
        image.paste((200, seed * 20, 10, 120), (0, 4, 8, 8))
    out = io.BytesIO()
    (image.convert("RGB") if layer == "aerial" else image).save(out, "PNG")
    return out.getvalue()


def layered_packs(brief: Brief) -> None:
    """The packs of that brief."""
    worked_out = plan(brief)
    for name, layer in worked_out.layers.items():
        records = [received(tile, layered_picture(name, tile)) for tile in layer.tiles]
        build(brief.store_folder / f"{name}.mbtiles", "png", records, worked_out)


def write_blend_and_die(folder: Path, card: Path, step: int) -> None:
    """Hand over a blend, and be killed just before the tile of this number is composed."""
    from packer.content.rasters.encoding import encoded
    from packer.handover import composing

    steps = 0

    def dying(*arguments: object) -> bytes:
        nonlocal steps
        steps += 1
        if steps == step:
            os.kill(os.getpid(), signal.SIGKILL)
        return encoded(*arguments)  # type: ignore[arg-type]

    setattr(composing, "encoded", dying)  # noqa: B010  # mypy would have it no other function
    composing._BATCH = BLEND_BATCH
    brief = layered_brief(folder)
    handover(brief, plan(brief), None, card, blend=True)

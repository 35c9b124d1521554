"""Packs, foreign tilesets, loose tiles and handed-over copies: how each is harmed and fed to the program."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import random
import shutil
import sqlite3
from pathlib import Path

from packer.cli import run_inspect, show_status
from packer.content.digest import body_hash
from packer.content.payload import examine
from packer.geometry.grid import MAX_ZOOM
from packer.geometry.tileset import Tile, TileSet
from packer.handover import handover
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.proving import verify
from packer.proof.results import Depth
from packer.store.figures import mean_sizes, read_last_run
from packer.store.merging import merge_pack, take_in
from packer.store.pruning import prune_pack, spare_in
from packer.store.reader import TileReader
from packer.store.records import seal
from packer.store.writer import PackWriter
from tests.hostile_databases import bombs, harm_database, linked_journal
from tests.hostile_text import damaged, hostile_json, worded
from tests.test_store import labels, received
from tests.tile_server import png

__all__ = [
    "feed_copy",
    "feed_foreign",
    "feed_loose",
    "feed_merge",
    "feed_pack",
    "harm_copy",
    "harm_foreign",
    "harm_loose",
    "harm_merge",
    "harm_pack",
]

_PLACE = "zoom_level, tile_column, tile_row"


# --- packs -----------------------------------------------------------------------------------------------


def harm_pack(chance: random.Random, samples: Path, folder: Path) -> None:
    source = samples / "store" / chance.choice(("png", "png", "pbf", "jpg"))
    shutil.copytree(source, folder, dirs_exist_ok=True)
    _harm_one_pack(chance, folder / "packs" / "survey.mbtiles", samples)
    if chance.random() < 0.15:
        name = chance.choice((".survey.corrupt.json", ".survey.checked.json"))
        good = {"corrupt": ["3/4/2"]} if "corrupt" in name else {"form": 1, "identity": [], "depth": "hash"}
        (folder / "packs" / name).write_bytes(hostile_json(chance, good))


def _harm_one_pack(chance: random.Random, pack: Path, samples: Path) -> None:
    if chance.random() < 0.07:
        linked_journal(pack, pack.parent.parent.parent / "precious.txt")
    elif chance.random() < 0.1:
        _seal_anew(chance, pack)
    else:
        harm_database(chance, pack, (samples / "store" / "jpg" / "packs" / "survey.mbtiles").read_bytes())
    if chance.random() < 0.05:
        pack.with_name(pack.name + chance.choice(("-journal", "-wal", "-shm"))).write_bytes(
            chance.randbytes(9000)
        )


def _seal_anew(chance: random.Random, pack: Path) -> None:
    """A bomb in the place of a body, hashed and sealed as it should be."""
    with contextlib.closing(sqlite3.connect(pack)) as db, db:
        number, zoom, column, row = db.execute(f"SELECT blob_id, {_PLACE} FROM placement LIMIT 1").fetchone()
        data = chance.choice(bombs())
        db.execute("UPDATE blob SET data = ?, hash = ? WHERE id = ?", (data, body_hash(data), number))
        bound = seal(zoom, column, row, body_hash(data))
        db.execute("UPDATE placement SET seal = ? WHERE blob_id = ?", (bound, number))


def _true_tiles(pack: Path) -> dict[Tile, bytes]:
    """What a sound pack holds, read without the program."""
    with contextlib.closing(sqlite3.connect(pack)) as db:
        rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles")
        return {Tile(z, x, (1 << z) - 1 - row): data for z, x, row, data in rows}


def _check_pack(pack: Path) -> None:
    """Whatever came into a pack of the program's own is a whole tile at a place on the grid."""
    if not pack.exists():
        return
    for tile, data in _true_tiles(pack).items():
        assert 0 <= tile.zoom <= MAX_ZOOM
        assert 0 <= tile.x < 1 << tile.zoom
        assert 0 <= tile.y < 1 << tile.zoom
        examine(data)


def feed_pack(chance: random.Random, folder: Path, out: Path) -> None:
    brief = Brief.read(folder)
    worked_out, pack = plan(brief), brief.store_folder / "survey.mbtiles"
    planned = worked_out.layers["survey"].tiles
    match chance.randrange(8):
        case 0:
            show_status.run(brief.path, None, chance.random() < 0.5)
        case 1 | 2:
            depth = chance.choice(tuple(Depth))
            report = verify(brief, worked_out, depth=depth, processes=1, for_s=chance.choice((None, 5.0)))
            json.dumps(report.to_dict())
            if report.ready and depth is not Depth.QUICK:
                _check_ready(pack, planned, depth is Depth.FULL)
        case 3:
            reader = TileReader(pack)
            reader.facts()
            for tile in planned:
                reader.body(tile)
            reader.zooms_at(*worked_out.middle)
        case 4:
            asyncio.run(_write_some(pack))
        case 5:
            mean_sizes(pack)
            read_last_run(pack)
            spare_in(pack, TileSet.from_tiles(list(planned)[:5]))
        case 6:
            prune_pack(pack, "survey", TileSet.from_tiles(list(planned)[:5]))
        case _:
            handover(
                brief,
                worked_out,
                None,
                out / "card",
                allow_gaps=chance.random() < 0.7,
                as_=chance.choice(("mbtiles", "gpkg", "folder")),
            )
            run_inspect.run(out / "card", False)


def _check_ready(pack: Path, planned: TileSet, full: bool) -> None:
    """What verify calls ready is there, by a look of our own: each body with its hash, its seal and, in full, its
    form, or a note that the server does not have it."""
    with contextlib.closing(sqlite3.connect(pack)) as db:
        rows = db.execute(
            f"SELECT {_PLACE}, seal, hash, data FROM placement JOIN blob ON id = blob_id"
        ).fetchall()
        none = db.execute(f"SELECT {_PLACE} FROM absent").fetchall()
    found = {Tile(z, x, (1 << z) - 1 - row) for z, x, row in none}
    for z, x, row, stated, hashed, data in rows:
        tile = Tile(z, x, (1 << z) - 1 - row)
        if tile in planned:
            assert body_hash(data) == hashed, f"{tile} is said to be ready, and its bytes have changed"
            assert seal(z, x, row, hashed) == stated, f"{tile} is said to be ready, and lies elsewhere"
            if full:
                examine(data)
            found.add(tile)
    assert set(planned) <= found, "tiles are said to be ready that are not there"


async def _write_some(pack: Path) -> None:
    async with PackWriter(pack, labels()) as writer:
        await writer.fetched_at([Tile(3, 4, 2), Tile(12, 1, 1)])
        await writer.stale_tiles(1_800_000_000, 1_800_000_000)
        await writer.validators(Tile(0, 0, 0))
        await writer.write([received(Tile(3, 4, 2)), received(Tile(13, 4, 2))], 2)


# --- merge and take-in -----------------------------------------------------------------------------------


def harm_merge(chance: random.Random, samples: Path, folder: Path) -> None:
    source = samples / "store" / chance.choice(("png", "pbf")) / "packs" / "survey.mbtiles"
    (folder / "source").mkdir()
    shutil.copy(source, folder / "source" / "survey.mbtiles")
    _harm_one_pack(chance, folder / "source" / "survey.mbtiles", samples)


def feed_merge(chance: random.Random, folder: Path, out: Path) -> None:
    source, into = folder / "source" / "survey.mbtiles", out / "survey.mbtiles"
    if chance.random() < 0.3:
        asyncio.run(_write_some(into))
    try:
        merge_pack(into, source, mix_sources=chance.random() < 0.7)
    finally:
        _check_pack(into)


def harm_foreign(chance: random.Random, samples: Path, folder: Path) -> None:
    name = chance.choice(("plain.mbtiles", "view.mbtiles"))
    target = folder / "foreign.mbtiles"
    shutil.copy(samples / "foreign" / name, target)
    if chance.random() < 0.05:
        linked_journal(target, folder.parent / "precious.txt")
    elif chance.random() < 0.1:
        with contextlib.closing(sqlite3.connect(target)) as db, db:
            table = "tiles" if name.startswith("plain") else "images"
            db.execute(f"UPDATE {table} SET tile_data = ? WHERE rowid = 3", (chance.choice(bombs()),))
    else:
        harm_database(chance, target)


def feed_foreign(_chance: random.Random, folder: Path, out: Path) -> None:
    into = out / "survey.mbtiles"
    try:
        result = take_in(into, labels(), folder / "foreign.mbtiles")
        assert result.taken == len(_true_tiles(into))
    finally:
        _check_pack(into)


def harm_loose(chance: random.Random, samples: Path, folder: Path) -> None:
    loose = folder / "loose"
    shutil.copytree(samples / "foreign" / "loose", loose)
    files = sorted(p for p in loose.rglob("*") if p.is_file())
    for _ in range(chance.randint(1, 4)):
        path = chance.choice(files)
        match chance.randrange(6):
            case 0:
                path.write_bytes(damaged(chance, png(path.name)))
            case 1:
                path.write_bytes(chance.choice(bombs()))
            case 2:
                name = chance.choice(
                    (
                        "99/1/1",
                        "11/-1/1",
                        "11/9999999999/1",
                        "11/٣/1",
                        "11/1e3/1",
                        "11/1/1.",
                        "24/16777215/0",
                        "25/1/1",
                    )
                )
                odd = loose / f"{name}.png"
                odd.parent.mkdir(parents=True, exist_ok=True)
                odd.write_bytes(png(name))
            case 3:
                path.unlink(missing_ok=True)
                path.symlink_to(
                    chance.choice(("/etc/passwd", "/dev/zero", folder.parent / "precious.txt", path))
                )
            case 4:
                path.unlink(missing_ok=True)
                os.mkfifo(path)
            case _:
                path.unlink(missing_ok=True)
                with path.open("wb") as file:
                    file.truncate(chance.choice((0, 10**8, 10**12)))
        if not path.is_file() or path.is_symlink():
            files.remove(path)


def feed_loose(_chance: random.Random, folder: Path, out: Path) -> None:
    into = out / "survey.mbtiles"
    try:
        result = take_in(into, labels(), folder / "loose")
        assert result.taken == len(_true_tiles(into))
    finally:
        _check_pack(into)


# --- copies ----------------------------------------------------------------------------------------------


def harm_copy(chance: random.Random, samples: Path, folder: Path) -> None:
    copy = folder / "copy"
    shutil.copytree(chance.choice(sorted((samples / "copies").iterdir())), copy)
    manifest = copy / "manifest.json"
    match chance.randrange(6):
        case 0:
            manifest.write_bytes(hostile_json(chance, json.loads(manifest.read_bytes())))
        case 1:
            manifest.write_bytes(worded(chance, manifest.read_text(encoding="utf-8")))
        case 2:
            path = chance.choice(sorted(p for p in copy.rglob("*") if p.is_file()))
            path.write_bytes(damaged(chance, path.read_bytes()))
        case 3:
            _climbing_names(chance, copy)
        case 4:
            _odd_files(chance, copy)
        case _:  # harmed, and its manifest drawn up to fit
            for path in copy.glob("survey.*"):
                harm_database(chance, path)
            for path in copy.glob("survey/tiles.sha256"):
                lines = path.read_text().splitlines(keepends=True)
                text = chance.choice(
                    ("", "".join(lines) * 50, "".join(reversed(lines)), "x" * 10**6, lines[0] * 20_000)
                )
                path.write_text(text)
            _fit_manifest(copy)


def _fit_manifest(copy: Path) -> None:
    told = json.loads((copy / "manifest.json").read_bytes())
    for file in told["files"]:
        data = (copy / file["name"]).read_bytes()
        file["size_bytes"], file["sha256"] = len(data), hashlib.sha256(data).hexdigest()
    (copy / "manifest.json").write_text(json.dumps(told))


def _climbing_names(chance: random.Random, copy: Path) -> None:
    told = json.loads((copy / "manifest.json").read_bytes())
    name = chance.choice(
        (
            *(
                "../precious.txt",
                "/etc/passwd",
                "a/../../precious.txt",
                "..",
                ".",
                "",
                "a//b",
                "C:\\x",
                "a\x00b",
            ),
            *("manifest.json", "x" * 300, "survey/..", "./survey", "é" * 200, "survey.mbtiles/x", "\x1b[2J"),
        )
    )
    chance.choice(told["files"])["name"] = name
    (copy / "manifest.json").write_text(json.dumps(told))


def _odd_files(chance: random.Random, copy: Path) -> None:
    path = chance.choice(sorted(p for p in copy.rglob("*") if p.is_file()))
    size = path.stat().st_size
    match chance.randrange(6):
        case 0:
            path.unlink()
            path.symlink_to(copy.parent.parent / "precious.txt")
        case 1:
            path.unlink()
            os.mkfifo(path)
        case 2:
            path.unlink()
            path.mkdir()
        case 3:
            os.truncate(path, chance.choice((0, size // 2, size * 3, 10**8)))
        case 4:
            (
                copy / os.fsdecode(b"\xff\xfe" + chance.randbytes(3).replace(b"/", b"").replace(b"\0", b""))
            ).write_bytes(b"x")
        case _:
            linked_journal(path, copy.parent.parent / "precious.txt") if size > 100 else path.write_bytes(b"")


def feed_copy(chance: random.Random, folder: Path, out: Path) -> None:
    copy = folder / "copy"
    if chance.random() < 0.1:
        _hand_over_onto(copy, out)
        return
    code = run_inspect.run(copy, chance.random() < 0.3)
    if code == 0:
        for file in json.loads((copy / "manifest.json").read_bytes())["files"]:
            data = (copy / file["name"]).read_bytes()
            assert (len(data), hashlib.sha256(data).hexdigest()) == (file["size_bytes"], file["sha256"])


def _is_pipe(path: Path) -> bool:
    return not (path.is_symlink() or path.is_file() or path.is_dir())


def _hand_over_onto(copy: Path, out: Path) -> None:
    """A handover into a folder that holds what somebody else left there."""
    card = out / "card"
    shutil.copytree(
        copy, card, symlinks=True, ignore=lambda d, names: [n for n in names if _is_pipe(Path(d, n))]
    )
    (card / ".intent.handover.part").write_bytes(b"[" * 100_000)
    samples = next(p for p in copy.parents if (p / "samples").is_dir()) / "samples"
    brief = Brief.read(samples / "store" / "png")
    handover(brief, plan(brief), None, card)

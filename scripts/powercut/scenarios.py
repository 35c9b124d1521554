"""The commands that are tried: what lies on the disk before each, and what may be asked of it afterwards."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from scripts.powercut.commands import Ended, Runner
from scripts.powercut.tile_server import TileServer, tile_body

__all__ = ["CUT_SCENARIOS", "FAULT_SCENARIOS", "Bench", "Scenario", "prepare", "read_pack", "sound_hashes"]

SIXTY_DAYS_S = 60 * 86_400
_BRIEF = """title = "Disk trial"
{top}contact = "maps@example.org"
store = "packs"
{layers}
[[areas]]
name = "north"
box = [12.50, 47.10, 12.55, 47.13]
deepest = {deepest}
[[areas]]
name = "camp"
point = [12.60, 47.12]
radius = "900 m"
deepest = {deepest}
{crews}
[overview]
margin = "1 km"
deepest = 12
"""
_LAYER = """[layers.{name}]
url = "http://127.0.0.1:{port}/{name}/{{z}}/{{x}}/{{y}}.{ending}"
attribution = "Disk trial (invented)"
permission = "Own server"
zooms = [10, 17]
connections = 4
requests-per-second = 2000
"""
_CREWS = """[[crews]]
name = "Team north"
areas = ["north"]
[[crews]]
name = "Team camp"
areas = ["camp"]
"""

CUT_SCENARIOS = (
    "fetch",
    "fetch-files",
    "resume",
    "refresh",
    "prune",
    "merge-new",
    "merge-into",
    "take-in",
    "take-in-folder",
    "handover-mbtiles",
    "handover-gpkg",
    "handover-folder",
    "handover-mbtiles-crews",
    "handover-gpkg-crews",
    "handover-folder-crews",
    "handover-mbtiles-again",
    "handover-folder-again",
    "handover-mbtiles-crews-again",
    "verify",
    "fetch-after-verify",
    "survey",
    "new",
)
FAULT_SCENARIOS = (*CUT_SCENARIOS, "split", "verify-report")


@dataclass(slots=True)
class Bench:
    """Where a scenario is played: `work` is the folder that commands run in."""

    runner: Runner
    server: TileServer
    work: Path

    def must(self, *arguments: str, codes: tuple[int, ...] = (0,), ahead_s: int = 0) -> None:
        """Run a command that has to end with one of some codes."""
        ended = self.runner.run(arguments, self.work, ahead_s=ahead_s)
        if ended.code not in codes:
            raise RuntimeError(f"{' '.join(arguments)}: {ended}")

    def brief(self, folder: str, deepest: int, crews: bool = False, top: str = "") -> None:
        """Write a brief, with more lines at its top."""
        layers = "".join(
            _LAYER.format(name=name, port=self.server.port, ending=ending)
            for name, ending in (("aerial", "jpg"), ("relief", "png"))
        )
        path = self.work / folder
        path.mkdir(parents=True, exist_ok=True)
        text = _BRIEF.format(layers=layers, deepest=deepest, crews=_CREWS if crews else "", top=top)
        (path / "brief.toml").write_text(text, encoding="utf-8")

    def fetched(self, deepest: int, crews: bool = False) -> None:
        """A brief, and packs that are complete."""
        self.brief("trip", deepest, crews)
        self.must("fetch", "trip")

    def half_fetched(self, deepest: int, size: str) -> None:
        """A brief, and packs with some of its tiles."""
        self.brief("trip", deepest)
        self.server.tell("delay", 0.01)
        self.must("fetch", "trip", "--max-bytes", size, codes=(0, 1))
        self.server.tell("delay", 0)

    def renewed(self) -> None:
        """The server has other pictures, and the packs have been refreshed with them."""
        self.server.tell("version", 2)
        self.must("fetch", "trip", "--refresh-older-than", "30d", ahead_s=SIXTY_DAYS_S)

    def spoil(self) -> None:
        """Some bodies of a pack lose their bytes."""
        with sqlite3.connect(self.work / "trip/packs/relief.mbtiles") as db:
            some = db.execute("SELECT id FROM blob ORDER BY id LIMIT 6 OFFSET 5").fetchall()
            db.executemany("UPDATE blob SET data = zeroblob(length(data)) WHERE id = ?", some)
        db.close()


@dataclass(slots=True)
class Scenario:
    """What is run, and how it may end.

    `again` goes on after a cut. `target` is the folder of a handover, with a leading slash. `delay_s` is what a tile
    takes meanwhile, so that commits come one after the other. `spoiled` tiles may be in the packs before. `trip` is
    the folder of the brief whose packs are looked at.
    """

    command: tuple[str, ...]
    again: tuple[str, ...] = ()
    target: str | None = None
    ahead_s: int = 0
    delay_s: float = 0.0
    spoiled: bool = False
    trip: str = "trip"
    codes: tuple[int, ...] = (0,)
    asks_server: bool = field(default=False)

    def __post_init__(self) -> None:
        self.again = self.again or self.command


def prepare(name: str, bench: Bench, deepest: int = 16) -> Scenario:
    """Lay out what the scenario starts from. Raises RuntimeError if a command before it fails."""
    bench.server.tell("version", 1)
    bench.server.tell("delay", 0)
    if name.startswith("handover-"):
        return _handover(name, bench, deepest)
    return _OTHERS[name](bench, deepest)


def _handover(name: str, bench: Bench, deepest: int) -> Scenario:
    _, kind, *how = name.split("-")
    bench.fetched(min(deepest, 14) if kind == "folder" else deepest, crews="crews" in how)
    command = ("handover", "trip", "--to", "card/maps", "--as", kind)
    if "again" in how:
        bench.must(*command)
        bench.renewed()
    return Scenario(command, target="/card/maps")


def _fetch(bench: Bench, deepest: int) -> Scenario:
    bench.brief("trip", deepest)
    return Scenario(("fetch", "trip"), delay_s=0.012, asks_server=True)


def _fetch_files(bench: Bench, deepest: int) -> Scenario:
    bench.brief("trip", deepest, top='max-pack-file = "90 kB"\n')
    return Scenario(("fetch", "trip"), delay_s=0.012, asks_server=True)


def _resume(bench: Bench, deepest: int) -> Scenario:
    bench.half_fetched(deepest, "250kB")
    return Scenario(("fetch", "trip"), delay_s=0.012, asks_server=True)


def _refresh(bench: Bench, deepest: int) -> Scenario:
    bench.fetched(deepest)
    bench.server.tell("version", 2)
    command = ("fetch", "trip", "--refresh-older-than", "30d")
    return Scenario(command, ahead_s=SIXTY_DAYS_S, delay_s=0.008, asks_server=True)


def _prune(bench: Bench, deepest: int) -> Scenario:
    bench.fetched(deepest)
    bench.brief("trip", deepest - 2)
    return Scenario(("prune", "trip", "--yes"))


def _merge_new(bench: Bench, deepest: int) -> Scenario:
    bench.fetched(deepest)
    return Scenario(("merge", "other", "trip/packs"))


def _merge_into(bench: Bench, deepest: int) -> Scenario:
    bench.half_fetched(deepest, "250kB")
    shutil.copytree(bench.work / "trip/packs", bench.work / "other")
    bench.server.tell("version", 2)
    bench.must("fetch", "trip")
    return Scenario(("merge", "other", "trip/packs"))


def _take_in(kind: str) -> Callable[[Bench, int], Scenario]:
    def ready(bench: Bench, deepest: int) -> Scenario:
        bench.fetched(deepest if kind == "mbtiles" else min(deepest, 14))
        bench.must("handover", "trip", "--to", "card", "--as", kind)
        bench.brief("second", deepest)
        held = sorted(p.name for p in (bench.work / "card").iterdir() if p.name.startswith("aerial"))
        return Scenario(("take-in", "second", "aerial", *(f"card/{name}" for name in held)), trip="second")

    return ready


def _verify(bench: Bench, deepest: int) -> Scenario:
    bench.fetched(deepest)
    bench.spoil()
    return Scenario(("verify", "trip", "--full"), ("fetch", "trip"), spoiled=True, codes=(1,))


def _fetch_after_verify(bench: Bench, deepest: int) -> Scenario:
    bench.fetched(deepest)
    bench.spoil()
    bench.must("verify", "trip", "--full", codes=(1,))
    return Scenario(("fetch", "trip"), spoiled=True, asks_server=True)


def _survey(bench: Bench, deepest: int) -> Scenario:
    bench.brief("trip", deepest)
    return Scenario(("survey", "trip", "--apply", "--samples", "60"), asks_server=True)


def _new(_bench: Bench, _deepest: int) -> Scenario:
    return Scenario(("new", "trip"), codes=(0, 2))


def _split(bench: Bench, deepest: int) -> Scenario:
    bench.brief("trip", deepest)
    return Scenario(("split", "trip", "--parts", "2"))


def _verify_report(bench: Bench, deepest: int) -> Scenario:
    bench.fetched(deepest)
    return Scenario(("verify", "trip", "--report", "page", "--walk", "walk.json"))


_OTHERS: dict[str, Callable[[Bench, int], Scenario]] = {
    "fetch": _fetch,
    "fetch-files": _fetch_files,
    "resume": _resume,
    "refresh": _refresh,
    "prune": _prune,
    "merge-new": _merge_new,
    "merge-into": _merge_into,
    "take-in": _take_in("mbtiles"),
    "take-in-folder": _take_in("folder"),
    "verify": _verify,
    "fetch-after-verify": _fetch_after_verify,
    "survey": _survey,
    "new": _new,
    "split": _split,
    "verify-report": _verify_report,
}


def body_hash(data: bytes) -> bytes:
    """SHA-256, taken without the program's help."""
    return hashlib.sha256(data).digest()


Place = tuple[int, int, int]
ABSENT = b"absent"


def sound_hashes(layer: str, place: Place) -> tuple[bytes, bytes]:
    """The hashes of a tile in the server's two versions."""
    return body_hash(tile_body(layer, *place, 1)), body_hash(tile_body(layer, *place, 2))


def read_pack(path: Path, check: bool = True) -> dict[Place, bytes]:
    """What a pack holds, through SQLite alone: by tile the hash of its body, `ABSENT` for one the server lacks.

    A journal beside it is taken back first. Raises sqlite3.Error, or ValueError for what SQLite calls damaged.
    """
    db = sqlite3.connect(path)
    try:
        if check and (said := db.execute("PRAGMA integrity_check").fetchone()[0]) != "ok":
            raise ValueError(said)
        found = {}
        for zoom, x, row, data in db.execute(
            "SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles"
        ):
            found[zoom, x, (1 << zoom) - 1 - row] = body_hash(data)
        if check and db.execute("SELECT count(*) FROM placement").fetchone()[0] != len(found):
            raise ValueError("a placement without a body")
        for zoom, x, row in db.execute("SELECT zoom_level, tile_column, tile_row FROM absent"):
            found.setdefault((zoom, x, (1 << zoom) - 1 - row), ABSENT)
        return found
    finally:
        db.close()


def outcome(ended: Ended) -> str:
    """An exit in a word or two, for a table."""
    return f"exit {ended.code}" if ended.in_order else f"exit {ended.code}, not in order"

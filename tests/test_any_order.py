"""Whatever a planner does, in whatever order: READY means that all is on board, as the server sent it.

A small world is played at random: a course that changes, a server with every fault, stops, damage by hand, pruning, a
colleague's pack, cards for the crew. After each verify and handover the packs are read with `sqlite3` alone and held
against the tiles that `mercantile` (the reference library for this grid) counts, and against every answer that the
server has given.
"""

from __future__ import annotations

import asyncio
import io
import random
import shutil
import sqlite3
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator
from contextlib import closing, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path

import mercantile
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from packer import hand_over, inspect
from packer.cli import run_prune, run_take_in
from packer.errors import LastbarError
from packer.fetching.reports import FetchReport, Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.geometry.tileset import Tile
from packer.handover.kinds import As
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.proof.proving import verify
from packer.proof.results import Depth, VerifyReport
from packer.store.merging import merge_pack
from tests.budgets import tries
from tests.fakes import RESET, ScriptedTransport, VirtualClock, no_tile, page
from tests.tile_server import png

_BRIEF = """
title = "Any order"
overview = false
store = "{store}"
contact = "maps@example.org"
{limit}
[layers.survey]
url = "https://tiles.example.org/survey/{{z}}/{{x}}/{{y}}.png"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [0, 19]
connections = 8
requests-per-second = 100000
"""
_AREA = """
[[areas]]
name = "area {number}"
box = [{west}, {south}, {east}, {north}]
deepest = {deepest}
at-least = {floor}
"""
_FLOOR = 5  # the server has every tile down to here, which is what each area has to have

Box = tuple[float, float, float, float]
Place = tuple[int, int, int]
"""Zoom, column and row of a tile, counted from the north as the server does."""

# Edges at odd places, so that none lies on the edge of a tile.
boxes = st.tuples(
    st.integers(0, 7), st.integers(0, 7), st.integers(1, 4), st.integers(1, 4), st.integers(7, 11)
).map(
    lambda n: (
        (12.013 + n[0] / 9, 47.017 + n[1] / 9, 12.019 + (n[0] + n[2]) / 9, 47.023 + (n[1] + n[3]) / 9),
        n[4],
    )
)


@dataclass
class Server:
    """A server whose map changes: what it answers, and what it ever answered."""

    lacking: float = 0.0
    edition: int = 0
    trouble: float = 0.0
    seed: int = 0
    served: dict[Place, set[bytes]] = field(default_factory=lambda: defaultdict(set))
    denied: set[Place] = field(default_factory=set)

    def answer(self, tile: Tile, before: int, _now: float) -> Result:
        place = (tile.zoom, tile.x, tile.y)
        chance = random.Random(f"{self.seed}/{place}/{before}")
        if chance.random() < self.trouble:
            return self._fault(place, chance)
        if tile.zoom > _FLOOR and random.Random(f"{place}").random() < self.lacking:
            self.denied.add(place)
            return no_tile(404)
        body = png(f"{place}/{self.edition}")
        self.served[place].add(body)
        return _whole(body)

    def _fault(self, place: Place, chance: random.Random) -> Result:
        body = png(f"{place}/{self.edition}")
        odd = bytearray(body)
        odd[chance.randrange(8, len(odd))] ^= 1 << chance.randrange(8)
        cut, spoilt, other = _whole(body[:-9]), _whole(bytes(odd)), _whole(b'{"error": 1}')
        faults: list[Result] = [no_tile(503), no_tile(429), RESET, page(), cut, spoilt, other]
        return chance.choice(faults)


def _whole(body: bytes) -> Response:
    return Response(200, {"content-type": "image/png", "content-length": str(len(body))}, body)


def _rows(file: Path, sql: str) -> Iterator[tuple[int, int, int, bytes]]:
    with closing(sqlite3.connect(file)) as db:
        yield from db.execute(sql)


def _tiles(files: Iterable[Path]) -> dict[Place, bytes]:
    """The tiles of MBTiles files, as any reader sees them (MBTiles 1.3, "Tiles")."""
    sql = "SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles"
    return {(z, x, (1 << z) - 1 - row): body for file in files for z, x, row, body in _rows(file, sql)}


@settings(
    max_examples=tries(4, 400),
    stateful_step_count=14,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)
class AnyOrder(RuleBasedStateMachine):
    """One planner, one server, one trip."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="any-order-"))
        self.server = Server()
        self.areas: list[tuple[Box, int]] = []
        self.cards = 0

    def teardown(self) -> None:
        shutil.rmtree(self.folder)

    # ------------------------------------------------------------------------------------ what the planner does

    @initialize(area=boxes, lacking=st.sampled_from([0.0, 0.0, 0.2]), limited=st.booleans())
    def begin(self, area: tuple[Box, int], lacking: float, limited: bool) -> None:
        self.server.lacking, self.areas, self.limited = lacking, [area], limited

    @rule(areas=st.lists(boxes, min_size=1, max_size=3))
    def another_course(self, areas: list[tuple[Box, int]]) -> None:
        self.areas = areas

    @rule(area=boxes)
    def one_more_area(self, area: tuple[Box, int]) -> None:
        self.areas = [*self.areas, area][-3:]

    @rule(
        seed=st.integers(0, 10**6),
        trouble=st.sampled_from([0.0, 0.1, 0.6]),
        stop_after=st.none() | st.integers(0, 60),
        cancelled=st.booleans(),
    )
    def fetch(self, seed: int, trouble: float, stop_after: int | None, cancelled: bool) -> None:
        self._fetch("packs", seed, trouble, stop_after, cancelled=cancelled)

    @rule(seed=st.integers(0, 10**6), trouble=st.sampled_from([0.0, 0.3]))
    def refresh(self, seed: int, trouble: float) -> None:
        self._fetch("packs", seed, trouble, None, refresh_older_s=0.0)

    @rule()
    def complete(self) -> None:
        """A fetch without any trouble gets all that a verify found missing or spoilt, and then every depth agrees."""
        self._verify(Depth.HASH)
        report = self._fetch("packs", 0, 0.0, None)
        assert report is not None
        assert report.complete
        for depth in Depth:
            found = self._verify(depth)
            assert found.ready, found.reasons

    @rule()
    def the_map_changes(self) -> None:
        self.server.edition += 1

    @rule(
        areas=st.lists(boxes, min_size=1, max_size=2),
        stop_after=st.none() | st.integers(0, 60),
        spoilt=st.none() | st.tuples(st.integers(0, 6), st.integers(0, 10**6)),
    )
    def a_colleagues_pack(
        self, areas: list[tuple[Box, int]], stop_after: int | None, spoilt: tuple[int, int] | None
    ) -> None:
        mine, self.areas = self.areas, areas
        self._fetch("theirs", 1, 0.0, stop_after)
        self.areas = mine
        theirs = pack_path(self._brief("theirs"), "survey")
        if theirs.exists():
            if spoilt is not None:
                _spoil(theirs, *spoilt)
            before = self._held()
            merge_pack(self._pack, theirs)
            gained = {place: body for place, body in self._held().items() if place not in before}
            assert all(body in self.server.served[place] for place, body in gained.items())

    @precondition(lambda self: self._pack.exists())
    @rule()
    def prune(self) -> None:
        self._brief("packs")
        with redirect_stdout(io.StringIO()):
            run_prune.run([self.folder / "brief.toml"], None, yes=True, as_json=True)

    @precondition(lambda self: self._pack.exists())
    @rule(how=st.integers(0, 6), number=st.integers(0, 10**6), verified=st.sampled_from([None, *Depth]))
    def damage(self, how: int, number: int, verified: Depth | None) -> None:
        """A card or a hand spoils something; perhaps a verify sees it before the next step."""
        files = sorted(self._pack.parent.glob("survey*.mbtiles"))
        _spoil(files[number % len(files)], how, number)
        if verified is not None:
            self._verify(verified)

    # ------------------------------------------------------------------------------------ what must hold

    @rule(depth=st.sampled_from([Depth.HASH, Depth.FULL]))
    def check(self, depth: Depth) -> None:
        found = self._verify(depth)
        assert found.ready == self._all_is_well(), found.reasons

    @rule(as_=st.sampled_from(["mbtiles", "gpkg", "folder"]))
    def hand_over(self, as_: As) -> None:
        """A card is written of a sound pack alone; what is taken in from it again is just what was on board."""
        brief = self._brief("packs")
        self.cards += 1
        to = self.folder / f"card {self.cards}"
        if not self._all_is_well():
            with pytest.raises(LastbarError):
                hand_over(brief, plan(brief), to, as_=as_)
            assert not list(to.rglob("*manifest*"))
            return
        assert hand_over(brief, plan(brief), to, as_=as_).complete
        assert inspect(to).intact
        (written,) = to.glob("survey*")
        planned = self._planned()
        expected = {place: body for place, body in self._held().items() if place in planned}
        if as_ == "mbtiles":
            assert _tiles([written]) == expected
        store = self.folder / f"from card {self.cards}"
        with redirect_stdout(io.StringIO()):
            run_take_in.run(brief.path, "survey", [written], store, as_json=True, over=False, yes=True)
        assert _tiles(store.glob("survey*.mbtiles")) == expected

    # ------------------------------------------------------------------------------------ the world as it is

    @property
    def _pack(self) -> Path:
        return self.folder / "packs" / "survey.mbtiles"

    def _brief(self, store: str) -> Brief:
        limit = 'max-pack-file = "60 kB"' if self.limited else ""
        text = _BRIEF.format(store=store, limit=limit) + "".join(
            _AREA.format(
                number=i, west=b[0], south=b[1], east=b[2], north=b[3], deepest=deepest, floor=_FLOOR
            )
            for i, (b, deepest) in enumerate(self.areas)
        )
        path = self.folder / "brief.toml"
        path.write_text(text, encoding="utf-8")
        return Brief.read(path)

    def _fetch(
        self,
        store: str,
        seed: int,
        trouble: float,
        stop_after: int | None,
        *,
        cancelled: bool = False,
        refresh_older_s: float | None = None,
    ) -> FetchReport | None:
        """One fetch; asks for nothing that was on board and sound, unless it is a refresh. None if it was cancelled."""
        self.server.seed, self.server.trouble = seed, trouble
        brief = self._brief(store)
        sound = set() if store != "packs" else self._sound()

        async def go() -> FetchReport:
            async with VirtualClock() as clock:
                stop, running = asyncio.Event(), asyncio.current_task()
                assert running is not None

                def counted(tile: Tile, before: int, now: float) -> Result:
                    if transport.asked.total() == stop_after:
                        running.cancel() if cancelled else stop.set()
                    if refresh_older_s is None:
                        assert (tile.zoom, tile.x, tile.y) not in sound, f"{tile} was on board"
                    return self.server.answer(tile, before, now)

                transport = ScriptedTransport(clock, counted)
                options = Options(give_up_after_s=900, refresh_older_s=refresh_older_s)
                if stop_after == 0:
                    stop.set()
                return await run_fetch(
                    brief,
                    plan(brief),
                    options,
                    clock=clock,
                    stop=stop,
                    make_transport=transport,
                    environment={},
                )

        try:
            return asyncio.run(go())
        except asyncio.CancelledError:
            return None

    def _verify(self, depth: Depth) -> VerifyReport:
        brief = self._brief("packs")
        return verify(brief, plan(brief), depth=depth, processes=1)

    def _planned(self) -> set[Place]:
        return {
            (t.z, t.x, t.y)
            for box, deepest in self.areas
            for t in mercantile.tiles(*box, zooms=range(deepest + 1))
        }

    def _held(self) -> dict[Place, bytes]:
        """Every tile on board, as any reader sees it."""
        return _tiles(self._pack.parent.glob("survey*.mbtiles"))

    def _absent(self) -> set[Place]:
        return {
            (zoom, column, (1 << zoom) - 1 - row)
            for file in self._pack.parent.glob("survey*.mbtiles")
            for zoom, column, row, _ in _rows(
                file, "SELECT zoom_level, tile_column, tile_row, '' FROM absent"
            )
        }

    def _sound(self) -> set[Place]:
        return {place for place, body in self._held().items() if body in self.server.served[place]}

    def _all_is_well(self) -> bool:
        """Every planned tile is on board as the server sent it whole, or the server has said that it has none."""
        told = self._absent() & self.server.denied
        return all(place in self._sound() or place in told for place in self._planned())


def _spoil(file: Path, how: int, number: int) -> None:
    """Spoil a pack in one way, at a row or two that `number` decides."""
    with closing(sqlite3.connect(file)) as db, db:
        rows = [row for (row,) in db.execute("SELECT rowid FROM placement ORDER BY rowid")]
        if rows:
            _DAMAGE[how](db, rows[number % len(rows)], rows[number // 7 % len(rows)])


def _flip(db: sqlite3.Connection, one: int, _other: int) -> None:
    (data,) = db.execute(
        "SELECT data FROM blob JOIN placement ON blob.id = blob_id WHERE placement.rowid = ?", (one,)
    ).fetchone()
    odd = bytearray(data)
    odd[one % len(odd)] ^= 1 << one % 8
    db.execute(
        "UPDATE blob SET data = ? WHERE id = (SELECT blob_id FROM placement WHERE rowid = ?)",
        (bytes(odd), one),
    )


def _lose(db: sqlite3.Connection, one: int, _other: int) -> None:
    db.execute("DELETE FROM placement WHERE rowid = ?", (one,))


def _lose_body(db: sqlite3.Connection, one: int, _other: int) -> None:
    db.execute("DELETE FROM blob WHERE id = (SELECT blob_id FROM placement WHERE rowid = ?)", (one,))


def _swap(db: sqlite3.Connection, one: int, other: int) -> None:
    """Two tiles change places: both are whole, and each shows the other's ground."""
    bodies = dict(db.execute("SELECT rowid, blob_id FROM placement WHERE rowid IN (?, ?)", (one, other)))
    db.execute("UPDATE placement SET blob_id = ? WHERE rowid = ?", (bodies[other], one))
    db.execute("UPDATE placement SET blob_id = ? WHERE rowid = ?", (bodies[one], other))


def _move(db: sqlite3.Connection, one: int, _other: int) -> None:
    db.execute("UPDATE OR IGNORE placement SET tile_column = tile_column + 1 WHERE rowid = ?", (one,))


def _empty(db: sqlite3.Connection, one: int, _other: int) -> None:
    db.execute(
        "UPDATE blob SET data = x'' WHERE id = (SELECT blob_id FROM placement WHERE rowid = ?)", (one,)
    )


def _forget_snapshot(db: sqlite3.Connection, one: int, other: int) -> None:
    """A row is gone and another in its place, so that every count is as before."""
    db.execute("UPDATE OR IGNORE placement SET tile_row = tile_row - 1 WHERE rowid = ?", (one,))
    db.execute("UPDATE OR IGNORE placement SET tile_column = tile_column - 1 WHERE rowid = ?", (other,))


_DAMAGE = [_flip, _lose, _lose_body, _swap, _move, _empty, _forget_snapshot]

TestAnyOrder = AnyOrder.TestCase

"""Damaged and hostile inputs: a short run of the fuzz, and each fault that it has found, by name.

The long run is `scripts/fuzz`, whose table is in docs/fuzz.md.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import json
import os
import random
import shutil
import sqlite3
import struct
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from packer.cli import run_inspect, show_status
from packer.content.damage import Damaged
from packer.content.payload import examine
from packer.errors import BriefError, PlanError, StoreError
from packer.geometry.cover import cover_box, cover_corridor
from packer.geometry.files.databases import asked
from packer.geometry.grid import LonLatBox
from packer.geometry.mending import mended
from packer.geometry.tileset import Tile
from packer.handover import handover, inspect_folder
from packer.handover.manifest import read_manifest
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.proving import verify
from packer.proof.results import Depth
from packer.store.audit import census, identity, outline
from packer.store.merging import merge_pack, take_in
from packer.store.pack_summary import read_summary
from packer.store.reader import TileReader
from packer.store.sealed_file import SealedFile
from packer.store.tile_sets import held_tiles
from tests.budgets import little_work, tries
from tests.hostile_databases import bush, linked_journal
from tests.hostile_inputs import KINDS, tried
from tests.hostile_samples import BRIEF, GPX, KML, make_samples
from tests.test_store import labels, raw, received, written

INPUTS_A_KIND = tries(4, 12)
SIDE = 8  # of the square of tiles in a pack
_ENDLESS = "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n)"


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile") / "samples"
    make_samples(folder)
    return folder


@pytest.mark.parametrize("kind", KINDS)
def test_every_damaged_or_hostile_input_ends_in_a_clear_error_or_a_right_result(
    samples: Path, tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    (tmp_path / "samples").symlink_to(samples)
    for number in range(INPUTS_A_KIND):
        case = tmp_path / str(number)
        case.mkdir()
        found = tried(KINDS[kind], random.Random(f"1/{kind}/{number}"), case, samples)
        assert found.ending != "defect", f"{kind}:{number}: {found.told}"


# --- packs -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def written_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("written") / "survey.mbtiles"
    written(path, [received(Tile(6, x, y)) for x in range(SIDE) for y in range(SIDE)])
    return path


@pytest.fixture
def pack(written_once: Path, tmp_path: Path) -> Path:
    path = tmp_path / "store" / "survey.mbtiles"
    path.parent.mkdir()
    shutil.copy(written_once, path)
    return path


def changed(pack: Path, *statements: str) -> None:
    with contextlib.closing(sqlite3.connect(pack, isolation_level=None)) as db:
        for statement in statements:
            db.execute(statement)


USES: dict[str, Callable[[Path], object]] = {
    "status": read_summary,
    "view": lambda pack: TileReader(pack).body(Tile(6, 1, 1)),
    "fetch": lambda pack: written(pack, [received(Tile(6, 50, 50))]),
    "merge": lambda pack: merge_pack(pack.parent.parent / "into.mbtiles", pack),
    "take-in": lambda pack: take_in(pack.parent.parent / "into.mbtiles", labels(), pack),
    "verify": identity,
}


@pytest.mark.parametrize("use", USES)
def test_a_journal_that_names_another_file_never_has_it_removed(pack: Path, tmp_path: Path, use: str) -> None:
    """SQLite removes the journal over several files that a journal names, whatever file that is."""
    victim = tmp_path / "precious.txt"
    victim.write_text("precious")
    linked_journal(pack, victim)
    with pytest.raises(StoreError, match="journal"):
        USES[use](pack)
    assert victim.read_text() == "precious"


HARMS = {
    "trigger": "CREATE TRIGGER harm AFTER INSERT ON placement BEGIN DELETE FROM blob; END",
    "view": "CREATE VIEW more AS SELECT 1",
    "index": "CREATE INDEX harm ON blob (length(hex(data)))",
    "column": "ALTER TABLE blob ADD COLUMN more AS (hex(zeroblob(200000000)))",
}


@pytest.mark.parametrize("use", ["status", "view", "fetch", "merge"])
@pytest.mark.parametrize("harm", HARMS)
def test_a_pack_with_anything_in_it_that_runs_is_refused(pack: Path, harm: str, use: str) -> None:
    changed(pack, HARMS[harm])
    before = pack.read_bytes()
    with pytest.raises(StoreError, match="other than those of a pack"):
        USES[use](pack)
    assert pack.read_bytes() == before


def test_a_table_of_placements_replaced_by_an_endless_view_is_refused(pack: Path) -> None:
    changed(
        pack,
        "ALTER TABLE placement RENAME TO p",
        f"CREATE VIEW placement AS {_ENDLESS} SELECT 3 AS zoom_level, i AS tile_column, 0 AS tile_row FROM n",
    )
    with pytest.raises(StoreError, match="other than those of a pack"):
        read_summary(pack)


@pytest.mark.parametrize("name", ["placement", "tile_index", "blob_use", "blob"])
def test_pages_that_point_to_the_same_page_over_and_over_are_cut_off(
    pack: Path, tmp_path: Path, name: str
) -> None:
    """Fourteen pages of sixty entries each are more rows than any disk holds, in 60 kB."""
    pack.unlink()
    written(pack, [received(Tile(6, x, 1)) for x in range(20)])
    changed(pack, "DELETE FROM snapshot")
    bush(pack, name)
    stopped = 0
    with little_work(12):
        for use in (*USES.values(), lambda pack: census(pack, time.time(), 64_000_000), outline):
            try:
                use(pack)
            except StoreError:
                stopped += 1
    assert stopped or name in ("blob", "blob_use")  # which are looked up, and not read from end to end


def test_rows_without_end_are_cut_off_while_they_are_counted(
    pack: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counting is one step of SQLite's machine, however many pages it runs through."""
    monkeypatch.setattr("packer.store.tile_sets._LEAST_S", 0.2)
    bush(pack, "tile_index")
    bush(pack, "blob_use")
    with pytest.raises(StoreError, match="took too long to read"):
        read_summary(pack)


@pytest.mark.parametrize(
    "value", ["'x'", "'1,2'", "1.5", "-1", "9223372036854775807", "x'ff'", "9e999", "'" + "9" * 400 + "'"]
)
@pytest.mark.parametrize(
    "column", ["zoom_level", "tile_column", "tile_row", "blob_id", "fetched", "seal", "etag"]
)
def test_a_value_of_the_wrong_kind_costs_its_own_row_at_most(
    pack: Path, tmp_path: Path, column: str, value: str
) -> None:
    changed(pack, f"UPDATE placement SET {column} = {value} WHERE rowid = 7", "DELETE FROM snapshot")
    if (column, value) == ("tile_column", "x'ff'"):  # SQLite itself joins the columns of a row to a text
        with pytest.raises(StoreError):
            read_summary(pack)
        return
    assert len(read_summary(pack).held) in (SIDE**2 - 1, SIDE**2)
    result = merge_pack(tmp_path / "into.mbtiles", pack)
    assert result.taken in (SIDE**2 - 1, SIDE**2)
    written(pack, [received(Tile(6, 50, 50))])


@pytest.mark.parametrize(
    "change",
    [
        "boundaries = x'0102030405'",
        "boundaries = x'ffffffffffffff7f0000000000000080'",
        "boundaries = zeroblob(8000000)",
        "zoom = 1000000000",
        "zoom = 'x'",
        "up_to = 'x', boundaries = 7",
    ],
)
def test_a_false_snapshot_is_not_believed_and_takes_no_memory(pack: Path, change: str) -> None:
    changed(pack, f"UPDATE snapshot SET {change} WHERE what = 'placement'")
    assert len(read_summary(pack).held) == SIDE**2


@pytest.mark.parametrize(
    "harm",
    [
        "UPDATE run SET started = 'then'",
        "UPDATE metadata SET value = x'00ff' WHERE name = 'format'",
        "UPDATE source SET fingerprint = x'00'",
    ],
)
def test_books_of_the_wrong_kind_are_told_as_damage(pack: Path, harm: str) -> None:
    changed(pack, harm)
    with pytest.raises(StoreError, match="has values that no pack has"):
        read_summary(pack)


def test_a_trouble_at_an_impossible_zoom_is_told_as_damage(pack: Path) -> None:
    changed(pack, "INSERT INTO trouble VALUES (999999999, 1, 1, 'k', 'r', 0)")
    with pytest.raises(StoreError, match="trouble"):
        USES["fetch"](pack)


def test_words_of_sqlite_that_are_no_text_end_in_a_sentence(pack: Path) -> None:
    changed(pack, "PRAGMA writable_schema = ON", "UPDATE sqlite_master SET sql = CAST(x'ff00ff' AS TEXT)")
    with pytest.raises(StoreError):
        read_summary(pack)


def test_a_date_beyond_all_dates_is_not_handed_on(pack: Path, tmp_path: Path) -> None:
    changed(pack, "UPDATE placement SET fetched = 9223372036854775807")
    result = merge_pack(tmp_path / "into.mbtiles", pack)
    assert result.taken == 0
    assert {why for _, why in result.refused} == {"it is dated before 1970 or after 9999"}


def test_a_pack_of_an_unknown_format_cannot_be_merged_into(pack: Path, tmp_path: Path) -> None:
    changed(pack, "UPDATE metadata SET value = 'gif' WHERE name = 'format'")
    source = tmp_path / "source.mbtiles"
    written(source, [received(Tile(6, 50, 50))])
    with pytest.raises(StoreError, match="table metadata has values"):
        merge_pack(pack, source)


@pytest.mark.parametrize("ending", ["-journal", "-wal"])
def test_a_source_left_half_written_is_refused_and_left_as_it_is(
    pack: Path, tmp_path: Path, ending: str
) -> None:
    beside = pack.with_name(pack.name + ending)
    beside.write_bytes(b"x" * 600)
    for use in ("merge", "take-in"):
        with pytest.raises(StoreError, match="half written"):
            USES[use](pack)
    assert beside.read_bytes() == b"x" * 600


def test_merging_makes_no_file_beside_a_source_with_a_write_ahead_log(pack: Path) -> None:
    changed(pack, "PRAGMA journal_mode = WAL")
    before = sorted(pack.parent.iterdir())
    with pytest.raises(StoreError, match="write-ahead"):
        USES["merge"](pack)
    assert sorted(pack.parent.iterdir()) == before


# --- foreign tilesets ------------------------------------------------------------------------------------


def foreign(folder: Path, tiles: str, *before: str) -> Path:
    path = folder / "foreign.mbtiles"
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        for statement in (*before, f"CREATE VIEW tiles AS {tiles}"):
            db.execute(statement)
    return path


_ROW = "3 AS zoom_level, {} AS tile_column, 0 AS tile_row, {} AS tile_data"
_MAKE = "CREATE TABLE t (a); INSERT INTO t VALUES " + ",".join(["(1)"] * 99)


@pytest.mark.parametrize(
    ("tiles", "why"),
    [
        (f"{_ENDLESS} SELECT {_ROW.format('i % 8', 'NULL')} FROM n", "more than list"),
        (f"SELECT {_ROW.format('1', 'hex(zeroblob(900000000))')}", "more than list"),
        (f"SELECT {_ROW.format('1', 'load_extension(1)')}", "more than list"),
        (f"SELECT {_ROW.format('1', 'NULL')} FROM t a, t b, t c, t d, t e, t f", "more tiles than"),
    ],
)
def test_a_view_that_runs_on_is_cut_off(tmp_path: Path, tiles: str, why: str) -> None:
    path = foreign(tmp_path, tiles, *_MAKE.split("; "))
    with little_work(10), pytest.raises(StoreError, match=why):
        take_in(tmp_path / "into.mbtiles", labels(), path)


def test_a_view_over_two_tables_is_still_taken_in(samples: Path, tmp_path: Path) -> None:
    assert take_in(tmp_path / "into.mbtiles", labels(), samples / "foreign" / "view.mbtiles").taken == 25


def test_a_write_ahead_log_is_not_made_beside_a_foreign_file(samples: Path, tmp_path: Path) -> None:
    held = tmp_path / "held" / "plain.mbtiles"
    held.parent.mkdir()
    shutil.copy(samples / "foreign" / "plain.mbtiles", held)
    changed(held, "PRAGMA journal_mode = WAL")
    assert take_in(tmp_path / "into.mbtiles", labels(), held).taken == 25
    assert [p.name for p in held.parent.iterdir()] == ["plain.mbtiles"]


def test_a_tile_listed_twice_counts_once(samples: Path, tmp_path: Path) -> None:
    held = tmp_path / "plain.mbtiles"
    shutil.copy(samples / "foreign" / "plain.mbtiles", held)
    changed(held, "INSERT INTO tiles SELECT * FROM tiles LIMIT 5")
    assert take_in(tmp_path / "into.mbtiles", labels(), held).taken == 25


def test_a_vector_tile_of_millions_of_empty_fields_is_refused_in_little_memory() -> None:
    content = b"\x1a\x00" * 1_200_000 + b"\x0a\x01a\x78\x02"
    size = len(content)
    data = bytes([0x1A, *(size >> shift & 0x7F | 0x80 for shift in (0, 7, 14)), size >> 21]) + content
    body = gzip.compress(data, 1)
    tracemalloc.start()
    with pytest.raises(Damaged, match="more parts than any tile"):
        examine(body)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 200_000_000


# --- handed-over copies ----------------------------------------------------------------------------------


@pytest.fixture
def copy(samples: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(samples / "copies" / "mbtiles-png", tmp_path / "copy"))


def fitted(copy: Path) -> Path:
    """The manifest drawn up anew to fit what the files are now."""
    told = json.loads((copy / "manifest.json").read_bytes())
    for file in told["files"]:
        data = (copy / file["name"]).read_bytes()
        file["size_bytes"], file["sha256"] = len(data), hashlib.sha256(data).hexdigest()
    (copy / "manifest.json").write_text(json.dumps(told))
    return copy


@pytest.mark.parametrize(
    "harm",
    [
        "CREATE TABLE more (a CHECK (length(hex(zeroblob(30000000))) > 1))",
        "ALTER TABLE tiles ADD COLUMN more AS (hex(zeroblob(30000000)))",
        "CREATE VIRTUAL TABLE more USING fts5(a)",
        "CREATE TRIGGER harm AFTER INSERT ON tiles BEGIN SELECT 1; END",
    ],
)
def test_a_sealed_file_with_anything_in_it_that_runs_is_not_opened_further(copy: Path, harm: str) -> None:
    changed(copy / "survey.mbtiles", harm)
    report = inspect_folder(fitted(copy))
    assert [f.state for f in report.files if f.name == "survey.mbtiles"] == ["unreadable"]
    assert "not one that a handover wrote" in report.files[0].detail


@pytest.mark.parametrize(
    "row", ["-9223372036854775808, 12, 1, 1, x'00'", "1, 12, 1, 'x', x'00'", "1, 1.5, 1, 1, 'text'"]
)
def test_a_sealed_file_with_an_impossible_row_is_not_sound(copy: Path, row: str) -> None:
    pack = copy / "survey.mbtiles"
    changed(
        pack,
        "DELETE FROM tiles",
        f"INSERT INTO tiles (rowid, zoom_level, tile_column, tile_row, tile_data) VALUES ({row})",
    )
    assert not inspect_folder(fitted(copy)).intact
    with SealedFile(pack) as sealed:
        if not row.startswith("-"):
            with pytest.raises(StoreError):
                sealed.sample(5)
        else:
            assert sealed.sample(5) == []


def test_a_list_of_checksums_that_names_a_file_over_and_over_is_refused(
    samples: Path, tmp_path: Path
) -> None:
    copy = Path(shutil.copytree(samples / "copies" / "folder-png", tmp_path / "copy"))
    sums = copy / "survey" / "tiles.sha256"
    sums.write_text(sums.read_text().splitlines(keepends=True)[0] * 1000)
    report = inspect_folder(fitted(copy))
    assert "not in order" in " ".join(f.detail for f in report.files)


@pytest.mark.parametrize("key", ["files", "layers"])
def test_a_manifest_of_a_million_faults_is_refused_in_little_memory(copy: Path, key: str) -> None:
    told: dict[str, Any] = json.loads((copy / "manifest.json").read_bytes())
    told[key] = [1] * 1_000_000 if key == "files" else {str(i): 1 for i in range(100_000)}
    (copy / "manifest.json").write_text(json.dumps(told))
    with little_work(5), pytest.raises(StoreError, match="cannot be used as a manifest"):
        read_manifest(copy)


def test_a_deeply_nested_note_of_an_earlier_handover_is_passed_over(samples: Path, tmp_path: Path) -> None:
    card = tmp_path / "card"
    card.mkdir()
    (card / ".intent.handover.part").write_bytes(b"[" * 100_000)
    brief = Brief.read(samples / "store" / "png")
    assert handover(brief, plan(brief), None, card).complete


# --- shape files -----------------------------------------------------------------------------------------


@pytest.fixture
def refusal(tmp_path: Path) -> Callable[..., str]:
    """The sentence in which a shape file is refused, with little work."""

    def read(name: str, content: str | bytes | None = None, kind: str = "line") -> str:
        if content is not None:
            (tmp_path / name).write_bytes(content.encode() if isinstance(content, str) else content)
        reach = {"line": 'half-width = "100 m"', "points": 'radius = "100 m"', "polygon": ""}[kind]
        area = f'[[areas]]\nname = "ground"\ndeepest = 12\n{kind} = {json.dumps(name)}\n{reach}\n'
        (tmp_path / "brief.toml").write_text(BRIEF.split("[[areas]]")[0] + area, encoding="utf-8")
        with little_work(10), pytest.raises(BriefError) as refused:
            plan(Brief.read(tmp_path))
        text = str(refused.value)
        assert all(c.isprintable() for c in text)
        return text

    return read


@pytest.mark.parametrize(("ending", "text"), [("gpx", GPX), ("kml", KML)])
def test_default_attributes_of_a_document_type_are_refused(
    refusal: Callable[..., str], ending: str, text: str
) -> None:
    """Ten thousand default attributes on each of ten thousand elements would be a hundred million."""
    told = "<!DOCTYPE x [<!ATTLIST b " + " ".join(f'a{i} CDATA "v"' for i in range(10_000)) + ">]>"
    head, _, rest = text.partition("?>")
    assert "document type" in refusal(f"a.{ending}", f"{head}?>{told}{rest}")


@pytest.mark.parametrize(("ending", "text"), [("gpx", GPX), ("kml", KML)])
@pytest.mark.parametrize("name", ["zlib", "rot13", "idna"])
def test_an_encoding_that_is_no_text_is_refused(
    refusal: Callable[..., str], ending: str, text: str, name: str
) -> None:
    assert "encoding is not known" in refusal(f"a.{ending}", text.replace("UTF-8", name, 1))


@pytest.mark.parametrize(
    ("ending", "content"),
    [
        ("gpx", GPX.replace("<wpt", "<a>" * 200_000 + "<wpt", 1)),
        ("kml", KML.replace("<Folder>", "<Folder>" * 200_000, 1)),
        (
            "gpx",
            GPX.replace("<trkseg>", '<trkseg><trkpt lat="1" lon="1"/></trkseg>' * 100_001 + "<trkseg>", 1),
        ),
        ("gpx", GPX.replace("<rte>", '<wpt lat="1" lon="1"/>' * 100_001 + "<rte>", 1)),
    ],
    ids=["deep gpx", "deep kml", "segments", "waypoints"],
)
def test_elements_beyond_number_or_depth_are_refused(
    refusal: Callable[..., str], ending: str, content: str
) -> None:
    message = refusal(f"a.{ending}", content)
    assert "nested" in message or "keep only what" in message


def test_a_line_all_over_the_globe_is_refused_before_it_is_cut_into_pieces(
    refusal: Callable[..., str],
) -> None:
    chance = random.Random(1)
    places = [[chance.uniform(-180, 180), chance.uniform(-80, 80)] for _ in range(20_000)]
    message = refusal("a.geojson", json.dumps({"type": "LineString", "coordinates": places}))
    assert "which no journey is" in message


def test_a_ring_that_crosses_itself_a_million_times_is_refused(refusal: Callable[..., str]) -> None:
    chance = random.Random(1)
    ring = [[chance.random(), chance.random()] for _ in range(5_000)]
    message = refusal("a.geojson", json.dumps({"type": "Polygon", "coordinates": [ring]}), "polygon")
    assert "crosses itself more than 20,000 times" in message


def test_thousands_of_holes_across_the_edge_are_worked_out_at_once(tmp_path: Path) -> None:
    chance = random.Random(1)
    corners = [(chance.random(), chance.random()) for _ in range(3_000)]
    holes = [np.array([[x, y], [x + 0.001, y], [x, y + 0.001], [x, y]]) for x, y in corners]
    outer = np.array([[-1.0, -1], [2, -1], [2, 2], [-1, 2], [0.5, 2.5], [0.6, -2], [-1, -1]])
    with little_work(10):
        assert list(mended([outer, *holes]))


def test_a_number_of_thousands_of_digits_is_told_in_plain_words(refusal: Callable[..., str]) -> None:
    message = refusal("a.geojson", f'{{"type":"Point","coordinates":[{"9" * 5000},1]}}', "points")
    assert "hundreds of digits" in message


def test_what_a_file_says_cannot_steer_the_terminal(refusal: Callable[..., str]) -> None:
    refusal("a.gpx", GPX.replace('lat="47.0"', 'lat="4\u202e\u009b2J"', 1))
    refusal("a.geojson", json.dumps({"type": "\u202e\x1b[2J", "coordinates": []}))


@pytest.mark.parametrize("place", ["12.x,47.01", "abc,47.01", "1_2,47", "12.3,47°"])
def test_a_position_of_a_kml_file_that_is_none_is_refused(refusal: Callable[..., str], place: str) -> None:
    """GDAL 3.12 takes 12.x for 12 and abc for 0, without a word."""
    message = refusal("a.kml", KML.replace("12.31,47.01,950", place, 1))
    assert "numbers with a decimal point" in message


@pytest.mark.parametrize("ending", ["shp", "gpkg"])
def test_a_damaged_shape_that_gdal_leaves_out_is_noticed(
    samples: Path, tmp_path: Path, refusal: Callable[..., str], ending: str
) -> None:
    for path in (samples / "shapes").glob("L.*"):
        shutil.copy(path, tmp_path / path.name)
    if ending == "shp":
        data = bytearray((tmp_path / "L.shp").read_bytes())
        data[144:148] = struct.pack("<I", 2**30)  # the number of parts of the first line
        (tmp_path / "L.shp").write_bytes(data)
    else:
        _without_triggers(tmp_path / "L.gpkg")
        changed(tmp_path / "L.gpkg", "UPDATE L SET geom = x'4750000100000000010200' WHERE fid = 2")
    assert "only 1 of its 2 shapes can be read" in refusal(f"L.{ending}")


def _without_triggers(path: Path) -> None:
    names = raw(path, "SELECT name FROM sqlite_master WHERE type = 'trigger'")
    changed(path, *(f'DROP TRIGGER "{name}"' for (name,) in names))


@pytest.mark.parametrize(
    ("harm", "word"),
    [
        (f"CREATE VIEW L AS {_ENDLESS} SELECT i AS fid, geom, name FROM n, o", "views"),
        ("CREATE TABLE L (fid INTEGER PRIMARY KEY, geom AS (zeroblob(900000000)), name)", "computed"),
        ("CREATE VIRTUAL TABLE L USING fts5(fid, geom, name)", "virtual"),
    ],
)
def test_a_geopackage_that_would_hold_gdal_for_ever_is_refused(
    samples: Path, tmp_path: Path, refusal: Callable[..., str], harm: str, word: str
) -> None:
    shutil.copy(samples / "shapes" / "L.gpkg", tmp_path / "L.gpkg")
    _without_triggers(tmp_path / "L.gpkg")
    with contextlib.suppress(sqlite3.Error):  # it is no longer there to be counted
        changed(tmp_path / "L.gpkg", "DELETE FROM gpkg_ogr_contents")
    changed(tmp_path / "L.gpkg", "PRAGMA legacy_alter_table = ON", "ALTER TABLE L RENAME TO o", harm)
    assert word in refusal("L.gpkg")


# --- briefs ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["a." * 200_000 + "a = 1\n", "[" + "a ." * 100_000 + "a]\n", '"a".' * 100_000 + "a=1\n"]
)
def test_a_key_of_a_hundred_thousand_parts_is_refused_at_once(text: str) -> None:
    with little_work(5), pytest.raises(BriefError, match="over a hundred parts"):
        Brief.from_text(text + BRIEF)


def test_a_brief_of_forty_thousand_faults_is_told_at_once() -> None:
    with little_work(5), pytest.raises(BriefError, match="more errors"):
        Brief.from_text("\n".join(f"k{i} = {i}" for i in range(40_000)) + "\n" + BRIEF)


def test_areas_with_tiles_beyond_number_are_refused_before_they_are_worked_out() -> None:
    world = LonLatBox(-180, -85, 180, 85)
    with little_work(5):
        with pytest.raises(PlanError, match="Lower its deepest zoom"):
            cover_box(world, 24)
        with pytest.raises(PlanError, match="zoom 24"):
            cover_corridor((np.array([[12.5, 47.1]]),), 100_000.0, 24)
    assert len(cover_box(world, 18)) > 6 * 10**10


def test_a_pack_with_an_endless_number_in_it_is_not_ready(samples: Path, tmp_path: Path) -> None:
    shutil.copytree(samples / "store" / "png", tmp_path / "p")
    brief = Brief.read(tmp_path / "p")
    changed(brief.store_folder / "survey.mbtiles", "UPDATE placement SET tile_column = 9e999 WHERE rowid = 5")
    report = verify(brief, plan(brief), depth=Depth.HASH, processes=1)
    assert not report.ready
    assert report.layers["survey"].counts.missing == 1


def test_what_a_pack_says_of_its_troubles_cannot_steer_the_terminal(
    samples: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(samples / "store" / "png", tmp_path / "p")
    pack = tmp_path / "p" / "packs" / "survey.mbtiles"
    changed(pack, "INSERT INTO trouble VALUES (1, 1, 1, 'k', char(27) || '[2J', 0)")
    show_status.run(tmp_path / "p" / "brief.toml", None, False)
    assert "\x1b" not in capsys.readouterr().out


def test_a_folder_whose_name_is_no_text_is_named_all_the_same(
    samples: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = shutil.copytree(samples / "copies" / "gpkg-png", tmp_path / os.fsdecode(b"card\xff"))
    assert run_inspect.run(Path(copy), False) == 0
    assert "card?" in capsys.readouterr().out


def test_a_fault_of_the_reader_itself_ends_in_a_sentence() -> None:
    """pyogrio 0.13 uses a variable that it has not set where GDAL has no text for a coordinate system."""
    with pytest.raises(ValueError, match="GDAL cannot read it"):
        asked(lambda: list[int]()[1])


class _Stalling(sqlite3.Connection):
    """Counts rows without end, as on a disk that stalls; all else as usual."""

    def execute(self, sql: str, *rest: Any) -> sqlite3.Cursor:
        endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n"
        return super().execute(endless if "count(*)" in sql else sql, *rest)


def test_a_count_that_takes_too_long_is_made_in_another_way(
    pack: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("packer.store.tile_sets._LEAST_S", 0.05)
    with contextlib.closing(sqlite3.connect(pack)) as plain:
        expected = held_tiles(plain)
    with contextlib.closing(sqlite3.connect(pack, factory=_Stalling)) as stalling:
        assert held_tiles(stalling) == expected
    assert expected

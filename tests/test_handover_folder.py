"""Loose files with TileJSON 3.0.0, and the command line of the handover."""

from __future__ import annotations

import functools
import hashlib
import http.server
import json
import re
import subprocess
import threading
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from shutil import which

import pytest

from packer.cli import run_handover, run_inspect
from packer.common.units import bytes_text
from packer.errors import EXIT_NOT_COMPLETE, InputError
from packer.geometry.tileset import Tile
from packer.handover import CardVerdict, handover, inspect_tree
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from tests.handover_packs import brief_in, build, packs, picture, received


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> tuple[Brief, Plan]:
    brief, worked_out = brief_in(tmp_path_factory.mktemp("source"), deepest=12)
    packs(brief, worked_out)
    (brief.folder / "brief.toml").write_text(_AS_FILE, encoding="utf-8")
    return brief, worked_out


_AS_FILE = """
title = "Ketterling Basin reconnaissance"
[layers.topo]
url = "https://tiles.invented.example/topo/{z}/{x}/{y}"
attribution = "Example Topography"
permission = "Own drawing"
zooms = [0, 13]
[overview]
margin = "1 km"
deepest = 9
[[areas]]
name = "west"
box = [12.30, 47.00, 12.36, 47.03]
deepest = 12
"""


@pytest.fixture(scope="module")
def card(ready: tuple[Brief, Plan], tmp_path_factory: pytest.TempPathFactory) -> Path:
    brief, worked_out = ready
    folder = tmp_path_factory.mktemp("card") / "out"
    handover(brief, worked_out, None, folder, as_="folder")
    return folder


def test_every_planned_tile_lies_at_its_zoom_column_and_row(ready: tuple[Brief, Plan], card: Path) -> None:
    _, worked_out = ready
    found = {path.relative_to(card / "topo").as_posix() for path in (card / "topo").rglob("*.png")}
    assert found == {f"{tile}.png" for tile in worked_out.layers["topo"].tiles}
    for name in found:
        zoom, x, y = (int(part) for part in name.removesuffix(".png").split("/"))
        assert (card / "topo" / name).read_bytes() == picture(Tile(zoom, x, y))


def test_tilejson_has_what_version_3_asks_for(card: Path) -> None:
    """TileJSON 3.0.0, section 3."""
    about = json.loads((card / "topo" / "tiles.json").read_text(encoding="utf-8"))
    assert about["tilejson"] == "3.0.0"  # 3.1
    assert len(about["tiles"]) == 1  # 3.2: absolute addresses, with {z}, {x} and {y}
    assert about["tiles"][0].startswith("http://127.0.0.1:")
    assert all(field in about["tiles"][0] for field in ("{z}", "{x}", "{y}"))
    assert "vector_layers" not in about  # 3.3: not required of pictures
    assert about["attribution"] == "Example Topography"  # 3.4
    west, south, east, north = about["bounds"]  # 3.5: left, bottom, right, top, not across the antimeridian
    assert -180 <= west < east <= 180
    assert -85.0511287798066 <= south < north <= 85.0511287798066
    lon, lat, zoom = about["center"]  # 3.6: within bounds and zooms
    assert west <= lon <= east
    assert south <= lat <= north
    assert 0 <= about["minzoom"] <= zoom <= about["maxzoom"] <= 30  # 3.12, 3.13
    assert about["scheme"] == "xyz"
    assert about["version"] == "1.0.0"


class _Silent(http.server.SimpleHTTPRequestHandler):
    def log_message(self, format: str, *args: object) -> None:
        """Nothing."""


@pytest.fixture
def served(card: Path) -> Iterator[str]:
    handler = functools.partial(_Silent, directory=str(card))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/"
        server.shutdown()
        thread.join()


def test_address_in_the_tilejson_holds_for_a_plain_file_server(served: str, card: Path) -> None:
    """`python -m http.server` in the folder, with the port that the test may use in place of 8000."""
    about = json.loads(urllib.request.urlopen(f"{served}topo/tiles.json").read())
    tile = Tile(0, 0, 0)
    address = about["tiles"][0].replace("http://127.0.0.1:8000/", served)
    address = address.replace("{z}", "0").replace("{x}", "0").replace("{y}", "0")
    with urllib.request.urlopen(address) as answer:
        assert answer.read() == picture(tile)


@pytest.mark.skipif(which("sha256sum") is None, reason="sha256sum is not installed here")
def test_list_of_checksums_is_read_by_the_usual_program(card: Path) -> None:
    done = subprocess.run(
        ["sha256sum", "-c", "tiles.sha256"], check=False, cwd=card / "topo", capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(": OK") == len(list((card / "topo").rglob("*.png")))


def test_vector_tiles_lie_bare_since_a_file_cannot_say_that_it_is_gzipped(tmp_path: Path) -> None:
    brief, worked_out = brief_in(tmp_path, deepest=9)
    bare = b"\x1a\x05\x0a\x01a\x78\x02"  # one layer named "a", version 2
    import gzip

    packs(brief, worked_out)
    pack = brief.store_folder / "topo.mbtiles"
    pack.unlink()
    tiles = worked_out.layers["topo"].tiles
    build(pack, "pbf", [received(t, gzip.compress(bare, mtime=0), "pbf") for t in tiles], worked_out)
    handover(brief, worked_out, None, tmp_path / "card", as_="folder")
    topo = tmp_path / "card" / "topo"
    assert (topo / "0/0/0.pbf").read_bytes() == bare
    about = json.loads((topo / "tiles.json").read_text(encoding="utf-8"))
    assert about["vector_layers"] == [{"id": "a", "fields": {}, "minzoom": 0, "maxzoom": 9}]
    first = (topo / "tiles.sha256").read_text(encoding="ascii").splitlines()[0]
    assert first == f"{hashlib.sha256(bare).hexdigest()}  0/0/0.pbf"


def run(brief: Brief, to: Path, **options: object) -> int:
    usual: dict[str, object] = {
        "store": None,
        "as_": "mbtiles",
        "max_file": None,
        "crews": None,
        "allow_gaps": False,
        "as_json": False,
    }
    return run_handover.run(brief.folder, to=to, **(usual | options))  # type: ignore[arg-type] # options of many kinds


def test_command_tells_files_and_next_step_in_80_columns(
    ready: tuple[Brief, Plan], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = ready
    assert run(brief, tmp_path / "c") == 0
    told = capsys.readouterr()
    assert told.err == ""
    assert "topo.mbtiles" in told.out
    assert "Handed over, and every file read back." in told.out
    assert f"lastbar inspect {tmp_path / 'c'}" in told.out
    assert all(len(line) <= 80 for line in told.out.splitlines() if str(tmp_path) not in line)


def test_command_gives_one_json_document(
    ready: tuple[Brief, Plan], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = ready
    assert run(brief, tmp_path / "c", as_json=True, as_="gpkg") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["complete"] is True
    assert [file["name"] for file in found["copies"][0]["files"]] == ["topo.gpkg", "ON THIS CARD.txt"]


def test_size_of_loose_tiles_is_that_of_the_tiles_themselves(
    ready: tuple[Brief, Plan], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = ready
    folder = tmp_path / "c"
    assert run(brief, folder, as_json=True, as_="folder") == 0
    every = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    tiles = [path.stat().st_size for path in folder.rglob("*.png")]
    told = json.loads(capsys.readouterr().out)["copies"][0]
    assert told["size_bytes"] == every - (folder / "manifest.json").stat().st_size
    assert run(brief, folder, as_="folder") == 0
    out = capsys.readouterr().out
    assert f"In {folder}: {bytes_text(told['size_bytes'])}" in out
    assert re.search(rf"topo/ +\d+ +{bytes_text(sum(tiles))}\n", out)
    card_text = (folder / "ON THIS CARD.txt").read_text(encoding="utf-8")
    assert f"topo  {bytes_text(sum(tiles))} in {len(tiles):,} loose tiles" in card_text


def test_size_of_loose_vector_tiles_is_that_of_the_bare_ones(tmp_path: Path) -> None:
    import gzip

    brief, worked_out = brief_in(tmp_path, deepest=9)
    bare = b"".join(b"\x1a\x07\x0a\x03%03d\x78\x02" % number for number in range(400))
    packs(brief, worked_out)
    pack = brief.store_folder / "topo.mbtiles"
    pack.unlink()
    tiles = worked_out.layers["topo"].tiles
    build(pack, "pbf", [received(t, gzip.compress(bare, mtime=0), "pbf") for t in tiles], worked_out)
    report = handover(brief, worked_out, None, tmp_path / "card", as_="folder")
    assert report.copies[0].loose_bytes["topo/tiles.sha256"] == len(bare) * len(tiles)


def test_command_ends_with_1_when_gaps_were_allowed(
    ready: tuple[Brief, Plan], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = ready
    (tmp_path / "brief.toml").write_text(_AS_FILE.replace("deepest = 12", "deepest = 13"), encoding="utf-8")
    wider = Brief.read(tmp_path)
    options: dict[str, object] = {"allow_gaps": True, "store": brief.store_folder}
    (tmp_path / "brief.toml").write_text(_AS_FILE.replace("12.36,", "12.60,"), encoding="utf-8")
    assert run(wider, tmp_path / "c", **options) == EXIT_NOT_COMPLETE
    out = capsys.readouterr().out
    assert "NOT COMPLETE" in out
    assert "planned tiles MISSING" in out
    found = inspect_tree(tmp_path / "c")
    assert (found.intact, found.verdict) == (True, CardVerdict.NOT_COMPLETE)
    assert found.to_dict()["verdict"] == "INTACT, NOT COMPLETE"
    assert run_inspect.run(tmp_path / "c", as_json=False) == 0
    last = capsys.readouterr().out.strip().splitlines()[-2:]
    assert last[0].startswith("INTACT, NOT COMPLETE: every file is as it was handed over, but planned tiles")


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        ({"as_": "zip"}, "it should be mbtiles, gpkg or folder"),
        ({"max_file": "4 gigs"}, "--max-file 4 gigs: a size is a number with its unit"),
        ({"crews": ["night"]}, "the brief has no crew of that name. Its crews: none."),
    ],
)
def test_options_that_cannot_be_used_are_named(
    ready: tuple[Brief, Plan], tmp_path: Path, options: dict[str, object], reason: str
) -> None:
    with pytest.raises(InputError, match=reason):
        run(ready[0], tmp_path / "c", **options)


@pytest.mark.parametrize("text", ["4294967295", "4 GiB", "none"])
def test_limit_is_bytes_a_size_or_none(ready: tuple[Brief, Plan], tmp_path: Path, text: str) -> None:
    assert run(ready[0], tmp_path / "c", max_file=text) == 0

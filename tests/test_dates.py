"""Layers of a date: what is asked for, what a pack, its status and its card say, and that two dates never mix."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from packer.cli import run_fetch, run_handover, run_merge, run_split, run_verify, show_plan, show_status
from packer.cli.fetch_options import FetchOptions
from packer.errors import BriefError, InputError
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import Stored
from packer.fetching.hosts.source import source_for
from packer.fetching.transports import Response
from packer.planning.brief import Brief
from tests.test_offers_wms import capabilities, layer
from tests.tile_server import png

BRIEF = """
title = "Test"
overview = false

[layers.aerial]
{layer}
attribution = "A"
permission = "Own server"
zooms = [3, 3]

[[areas]]
name = "camp"
box = [12.4, 47.1, 12.5, 47.2]
deepest = 3
"""


class Server:
    """Tiles of any date, and a WMS with the dates in `dates`; `asked` are the targets of all requests."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.dates = ["2026-11-27"]
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.asked.append(self.path)
                body = outer.capabilities() if "GetCapabilities" in self.path else png("a", 256)
                self.send_response(404 if "robots" in self.path else 200)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}"

    def capabilities(self) -> bytes:
        time = f'<Dimension name="time" units="ISO8601" default="{self.dates[0]}">{",".join(self.dates)}</Dimension>'
        return capabilities(layer(more=time), place=f"{self.url}/wms?")

    @property
    def tiles(self) -> list[str]:
        return [one for one in self.asked if "GetMap" in one or one.endswith(".png")]


@pytest.fixture
def server() -> Iterator[Server]:
    running = Server()
    thread = Thread(target=running.server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield running
    running.server.shutdown()
    running.server.server_close()
    thread.join()


def brief_for(folder: Path, layer: str) -> Path:
    path = folder / "brief.toml"
    path.write_text(BRIEF.format(layer=layer), encoding="utf-8")
    return path


def fetch(path: Path) -> int:
    return run_fetch.run(path, None, True, FetchOptions())


def hand_over(path: Path) -> int:
    return run_handover.run(path, None, path.parent / "out", "mbtiles", None, None, False, True)


def metadata(path: Path) -> dict[str, str]:
    db = sqlite3.connect(path.parent / "packs" / "aerial.mbtiles")
    try:
        return dict(db.execute("SELECT name, value FROM metadata").fetchall())
    finally:
        db.close()


def told(capsys: pytest.CaptureFixture[str]) -> Any:
    return json.loads(capsys.readouterr().out)


def plain(server: Server, date: str) -> str:
    return f'url = "{server.url}/{{date}}/{{z}}/{{x}}/{{y}}.png"\ndate = {date}'


@pytest.mark.parametrize("date", ['"2026-11-28"', "2026-11-28"])
def test_the_date_stands_in_the_address_the_pack_the_status_and_on_the_card(
    server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str], date: str
) -> None:
    path = brief_for(tmp_path, plain(server, date))
    assert fetch(path) == 0
    assert server.tiles == ["/2026-11-28/3/4/2.png"]
    assert metadata(path)["date"] == "2026-11-28"
    capsys.readouterr()
    assert show_status.run(path, None, True) == 0
    assert told(capsys)["layers"]["aerial"]["date"] == "2026-11-28"
    assert run_verify.run(path, None, True, report_folder=tmp_path / "report") == 0
    [page] = (tmp_path / "report").glob("*.html")
    assert "Date of what it shows" in page.read_text(encoding="utf-8")
    capsys.readouterr()
    show_status.run(path, None, False)
    assert "aerial: shows 2026-11-28" in capsys.readouterr().out
    assert hand_over(path) == 0
    card = next((tmp_path / "out").rglob("ON THIS CARD.txt")).read_text(encoding="utf-8")
    assert "shows 2026-11-28" in card


def test_a_pack_of_one_date_takes_no_tile_of_another_and_is_not_proven_for_it(
    server: Server, tmp_path: Path
) -> None:
    path = brief_for(tmp_path, plain(server, '"2026-11-28"'))
    assert fetch(path) == 0
    before = (tmp_path / "packs" / "aerial.mbtiles").read_bytes()
    brief_for(tmp_path, plain(server, '"2026-11-29"'))
    commands: tuple[Callable[[Path], int], ...] = (
        fetch,
        lambda p: run_verify.run(p, None, True),
        lambda p: show_status.run(p, None, True),
        hand_over,
    )
    for command in commands:
        with pytest.raises(
            InputError, match=r"tiles of 2026-11-28, but the brief asks for tiles of 2026-11-29"
        ):
            command(path)
    brief_for(tmp_path, f'url = "{server.url}/{{z}}/{{x}}/{{y}}.png"')
    with pytest.raises(InputError, match="asks for tiles without a date"):
        fetch(path)
    assert len(server.tiles) == 1
    assert (tmp_path / "packs" / "aerial.mbtiles").read_bytes() == before


def test_packs_of_two_dates_are_not_merged(server: Server, tmp_path: Path) -> None:
    packs = []
    for day in ("2026-11-28", "2026-11-29"):
        folder = tmp_path / day
        folder.mkdir()
        assert fetch(brief_for(folder, plain(server, f'"{day}"'))) == 0
        packs.append(folder / "packs")
    with pytest.raises(InputError, match="two dates do not go into one pack"):
        run_merge.run_merge(packs[0], [packs[1]], False, True)


def wms(server: Server, date: str = "") -> str:
    return f'wms = "{server.url}/wms"\n{date}'


def test_latest_is_found_once_stays_and_is_told_when_there_is_a_newer_one(
    server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    server.dates = ["2026-11-20", "2026-11-27"]
    path = brief_for(tmp_path, wms(server, 'date = "latest"'))
    assert fetch(path) == 0
    assert "TIME=2026-11-27" in server.tiles[0]
    assert metadata(path)["date"] == "2026-11-27"
    server.dates.append("2026-11-28")
    capsys.readouterr()
    path.write_text(path.read_text().replace("[12.4, 47.1", "[-100.4, 30.1"))
    assert fetch(path) == 0
    out = capsys.readouterr()
    assert "now has 2026-11-28" in out.out + out.err
    assert all("TIME=2026-11-27" in one for one in server.tiles)
    assert metadata(path)["date"] == "2026-11-27"


def test_a_date_that_the_server_no_longer_has_is_not_replaced_by_another(
    server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = brief_for(tmp_path, wms(server))
    assert fetch(path) == 0
    server.dates = ["2026-11-28"]
    path.write_text(path.read_text().replace("[12.4, 47.1", "[-100.4, 30.1"))
    fetch(path)
    out = capsys.readouterr()
    assert "no longer has" in out.out + out.err
    assert not any("2026-11-28" in one for one in server.tiles)


def test_parts_of_a_split_fetch_the_date_that_was_found(
    server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = brief_for(tmp_path, wms(server, 'date = "latest"').replace("zooms", "z"))
    path.write_text(path.read_text().replace("[12.4, 47.1, 12.5", "[-100.4, 47.1, 12.5"))
    assert show_plan.run(path, False, None, True) == 0
    assert run_split.run(path, 2, tmp_path / "parts", True) == 0
    server.dates = ["2026-11-27", "2026-11-28"]
    for part in sorted((tmp_path / "parts").glob("part-*/brief.toml")):
        fetch(part)
    assert server.tiles
    assert all("TIME=2026-11-27" in one for one in server.tiles)


@pytest.mark.parametrize(
    ("layer", "word"),
    [
        ('url = "https://e.org/{date}/{z}/{x}/{y}"', "needs a date"),
        (
            'url = "https://e.org/{date}/{z}/{x}/{y}"\ndate = "latest"',
            "no server says which date is the latest",
        ),
        ('url = "https://e.org/{z}/{x}/{y}"\ndate = "2026-11-28"', r"no \{date\}"),
        ('tilejson = "https://e.org/a.json"\ndate = "2026-11-28"', "does not go with tilejson"),
        ('ogc-tiles = "https://e.org/a"\ndate = "2026-11-28"', "does not go with ogc-tiles"),
        ('wms = "https://e.org/a"\ndate = "yester day"', "should be a day"),
        ('wms = "https://e.org/a"\ndate = 2026', "should be a day"),
        ('wms = "https://e.org/a"\ndimensions = { band = 1 }', "text in quotes"),
    ],
)
def test_a_date_that_cannot_be_meant_is_refused_in_the_briefs_words(layer: str, word: str) -> None:
    with pytest.raises(BriefError, match=word):
        Brief.from_text(BRIEF.format(layer=layer))


def test_a_key_goes_with_every_request_to_a_wms_and_stands_in_no_file_and_no_word(
    server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MAP_KEY", "kx81-Qz7wP")
    path = brief_for(tmp_path, f'wms = "{server.url}/wms?token=${{MAP_KEY}}"')
    assert fetch(path) == 0
    assert all("token=kx81-Qz7wP" in one for one in server.asked if "robots" not in one)
    out = capsys.readouterr()
    for text in (
        out.out,
        out.err,
        *(p.read_bytes().decode("latin-1") for p in tmp_path.rglob("*") if p.is_file()),
    ):
        assert "kx81-Qz7wP" not in text
    assert "token=${MAP_KEY}" in (tmp_path / "packs" / ".aerial.offer.json").read_text()


@pytest.mark.parametrize(
    ("status", "body", "reason"),
    [
        (
            200,
            "<ServiceExceptionReport><ServiceException>no layer for {}</ServiceException></ServiceExceptionReport>",
            "no layer for ***",
        ),
        (
            400,
            "<o:ExceptionReport xmlns:o='o'><o:Exception exceptionCode='Bad'/></o:ExceptionReport>",
            "Bad",
        ),
        (403, '{{"title": "No", "detail": "key {} has ended"}}', "No: key *** has ended"),
        (500, "<ServiceExceptionReport/>", "an error without words"),
    ],
)
def test_a_services_own_words_are_told_without_the_key_that_they_repeat(
    status: int, body: str, reason: str
) -> None:
    key = "kx81-Qz7wP"
    brief = Brief.from_text(
        BRIEF.format(layer='url = "https://m.example.org/{z}/{x}/{y}.png?token=${MAP_KEY}"')
    )
    source = source_for(brief, brief.layers["aerial"], {"MAP_KEY": key})
    reply = Response(status, {}, body.format(key).encode())
    outcome = source.without_echo(judge(reply, source.rules, 0.0))
    assert not isinstance(outcome, Stored)
    assert f'"{reason}"' in getattr(outcome, "reason", "")
    assert key not in repr(outcome)

"""The log of runs: enough to tell a colleague what happened, and nothing that must not be told."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from packer.errors import DiskError, TermsError
from packer.fetching.reports import Options
from packer.fetching.run import run_fetch
from packer.fetching.run_log import FILE_NAME, RunLog, last_pace
from packer.fetching.transports import Result
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.sources.secrecy import Secrets
from packer.store.writer import PackWriter
from packer.version import __version__
from tests.conftest import BriefMaker
from tests.fakes import REFUSED, ScriptedTransport, VirtualClock, no_tile, page, tile_answer

URL = "https://tiles.example.org/survey/{z}/{x}/{y}.png?key=${KEY}&plain=pl41n-k3y"
WIDE = "box = [12.30, 47.00, 12.50, 47.10]\ndeepest = 15"


@pytest.fixture
def brief_for(brief_for: BriefMaker) -> BriefMaker:
    """As everywhere, with somebody to write to."""
    return partial(brief_for, overview='overview = false\ncontact = "maps@example.org"')


def run(
    brief: Brief,
    script: Callable[[Tile, int, float], Result],
    *,
    robots: Callable[[float], Result] = lambda _now: no_tile(404),
    stop_after: int | None = None,
    **options: Any,
) -> list[dict[str, Any]]:
    """The lines that one fetch leaves."""

    async def go() -> None:
        async with VirtualClock() as clock:
            stop = asyncio.Event()

            def counted(tile: Tile, before: int, now: float) -> Result:
                if transport.asked.total() == stop_after:
                    stop.set()
                return script(tile, before, now)

            transport = ScriptedTransport(clock, counted, robots=robots)
            await run_fetch(
                brief,
                plan(brief),
                Options(log=True, **options),
                clock=clock,
                stop=stop,
                make_transport=transport,
                environment={"KEY": "s3cr3t-k3y"},
            )

    before = len(lines(brief))
    try:
        asyncio.run(go())
    except (TermsError, DiskError):
        return lines(brief)[before:]
    return lines(brief)[before:]


def lines(brief: Brief) -> list[dict[str, Any]]:
    path = brief.store_folder / FILE_NAME
    told = [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []
    return [line for line in told if line["event"] != "transport"]  # which is told where a client is missing


def good(tile: Tile, before: int, now: float) -> Result:
    return tile_answer(tile)


def events(told: list[dict[str, Any]]) -> list[str]:
    return [line["event"] for line in told]


def test_a_run_leaves_its_start_and_its_end(brief_for: BriefMaker) -> None:
    brief = brief_for(URL)
    start, end = run(brief, good)
    planned = plan(brief)
    assert start["event"] == "start"
    assert start["version"] == __version__
    assert start["plan"] == planned.fingerprint
    assert start["user_agent"] == f"lastbar/{__version__} (maps@example.org)"
    assert start["layers"]["survey"]["planned"] == start["layers"]["survey"]["to_fetch"] == planned.count
    assert start["at"].startswith("2023-11-")
    assert start["at"].endswith("Z")
    assert end["event"] == "end"
    assert end["complete"]
    assert end["layers"]["survey"]["stored"] == planned.count
    assert end["run"] == start["run"]


def test_a_link_in_its_place_is_not_written_through(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("kept")
    (tmp_path / FILE_NAME).symlink_to(precious)
    log = RunLog(tmp_path, lambda: 0.0)
    log.event("start")
    log.close()
    assert precious.read_text() == "kept"


def test_a_wait_leaves_its_reason_and_its_length(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=WIDE, rate=10)

    def script(tile: Tile, before: int, now: float) -> Result:
        if 1001 < now < 1100:
            return page(302)
        return REFUSED if 1120 < now < 1220 else tile_answer(tile)

    told = run(
        brief, script, robots=lambda now: script(Tile(0, 0, 0), 0, now) if now > 1001 else no_tile(404)
    )
    assert events(told) == ["start", "pause", "resume", "pause", "resume", "end"]
    assert [line["kind"] for line in told if line["event"] == "pause"] == ["sign-in", "link"]
    assert "portal.example.net" not in json.dumps(told), (
        "where to sign in is for the planner, not for the log"
    )
    assert 90 < told[2]["paused_seconds"] < 120
    assert told[-1]["layers"]["survey"]["paused_seconds"] > 180


def test_a_long_fetch_leaves_few_lines(brief_for: BriefMaker) -> None:
    brief = brief_for(URL.replace("${KEY}", "1"), area="box = [12.30, 47.00, 12.70, 47.20]\ndeepest = 15")
    told = run(
        brief, lambda tile, before, _n: no_tile(500) if before < 2 and tile.x % 5 == 0 else tile_answer(tile)
    )
    assert told[-1]["layers"]["survey"]["stored"] > 1000
    assert len(told) < 40


def test_tiles_that_were_given_up_are_summed_up_by_reason(brief_for: BriefMaker) -> None:
    brief = brief_for(URL)
    bad = list(plan(brief).layers["survey"].tiles)[20:23]
    told = run(brief, lambda tile, _b, _n: no_tile(403) if tile in bad else tile_answer(tile))
    (count,) = told[-1]["layers"]["survey"]["gave_up"].values()
    assert count == told[-1]["layers"]["survey"]["failed"] == 3


def test_an_alarm_a_stop_and_a_given_up_layer_are_noted(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=WIDE)
    same = tile_answer(Tile(0, 0, 0))
    told = run(brief, lambda *_: same, stop_after=200)
    assert sorted(events(told)) == ["alarm", "end", "start", "stop"]
    noted = {line["event"]: line for line in told}
    assert noted["stop"]["why"] == noted["end"]["stopped"] == "asked"
    assert noted["alarm"]["tiles"] >= 25
    told = run(brief, lambda *_: REFUSED, robots=lambda _now: REFUSED)
    assert "layer stopped" in events(told)


def test_a_refusal_is_noted(brief_for: BriefMaker) -> None:
    told = run(brief_for(URL, layer="tile-limit = 3"), good)
    assert events(told) == ["refused"]
    assert "tile-limit" in told[0]["reason"]


def test_an_error_is_noted(brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch) -> None:
    async def failing(self: PackWriter, batch: object, requests: int = 0) -> None:
        raise DiskError("The disk is full.")

    monkeypatch.setattr(PackWriter, "write", failing)
    told = run(brief_for(URL), good)
    assert told[-1]["event"] == "error"
    assert told[-1]["reason"] == "The disk is full."


def test_a_departure_and_its_outlook_are_noted(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=WIDE, rate=10)
    told = run(brief, good, depart_at=1_700_001_000.0 + 30)
    assert events(told) == ["start", "forecast", "stop", "end"]
    assert told[1]["layers"]["survey"]["incomplete"]["ground"]
    assert told[2]["why"] == "departure"


def test_no_key_reaches_the_log(brief_for: BriefMaker) -> None:
    brief = brief_for(
        URL.replace("https://", "https://user:passw0rd@"), layer='headers = { "X-Key" = "h34d-${KEY}" }'
    )
    run(brief, lambda tile, _b, _n: no_tile(403) if tile.x % 7 == 0 else tile_answer(tile))
    run(brief, lambda *_: REFUSED, robots=lambda _now: REFUSED, ask_absent_again=True)
    text = (brief.store_folder / FILE_NAME).read_text()
    for secret in ("s3cr3t-k3y", "pl41n-k3y", "passw0rd", "h34d"):
        assert secret not in text


def test_secrets_are_taken_out_wherever_they_stand(tmp_path: Path) -> None:
    log = RunLog(tmp_path, lambda: 0.0, Secrets.of(["s3cr3t"]))
    log.event("pause", reason="the key s3cr3t", layers={"s3cr3t": ["s3cr3t", 1, 2.00001, None]})
    log.close()
    (line,) = (tmp_path / FILE_NAME).read_text().splitlines()
    assert "s3cr3t" not in line
    assert json.loads(line)["layers"] == {"***": ["***", 1, 2.0, None]}


def test_the_log_is_cut_into_five_files_of_a_megabyte(tmp_path: Path) -> None:
    log = RunLog(tmp_path, lambda: 0.0)
    for number in range(7000):
        log.event("pause", number=number, reason="x" * 1000)
    log.close()
    files = sorted(tmp_path.iterdir())
    assert [p.name for p in files] == [FILE_NAME, *(f"{FILE_NAME}.{n}" for n in range(1, 5))]
    assert max(p.stat().st_size for p in files) <= 1_000_000
    assert json.loads(files[0].read_text().splitlines()[-1])["number"] == 6999
    for path in files:
        for line in path.read_text().splitlines():
            json.loads(line)


def test_without_the_option_nothing_is_written(brief_for: BriefMaker) -> None:
    brief = brief_for(URL)
    asyncio.run(_quiet(brief))
    assert not (brief.store_folder / FILE_NAME).exists()


async def _quiet(brief: Brief) -> None:
    async with VirtualClock() as clock:
        transport = ScriptedTransport(clock, good)
        await run_fetch(brief, plan(brief), clock=clock, make_transport=transport, environment={"KEY": "k"})


def test_a_log_that_cannot_be_written_stops_nothing(brief_for: BriefMaker) -> None:
    brief = brief_for(URL)
    (brief.store_folder / FILE_NAME).mkdir(parents=True)

    async def go() -> bool:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, good)
            environment = {"KEY": "k"}
            return (
                await run_fetch(
                    brief,
                    plan(brief),
                    Options(log=True),
                    clock=clock,
                    make_transport=transport,
                    environment=environment,
                )
            ).complete

    assert asyncio.run(go())


def test_the_last_pace_is_read_past_lines_that_are_cut_off_or_not_ours(tmp_path: Path) -> None:
    assert last_pace(tmp_path, "survey") is None
    told = {"stored": 300, "absent_now": 100, "seconds": 50.0, "paused_seconds": 10.0}
    end = json.dumps({"event": "end", "layers": {"survey": told}})
    (tmp_path / FILE_NAME).write_text(f'{end}\n{{"event": "start"}}\n[1]\n"x"\n{end[:40]}')
    assert last_pace(tmp_path, "survey") == 10.0
    assert last_pace(tmp_path, "relief") is None


def test_old_tiles_asked_for_anew_do_not_make_the_last_pace_look_slow(tmp_path: Path) -> None:
    counts = {"stale": 950, "new": 300, "unchanged": 590, "gone": 10, "left": 50}
    told = {"stored": 60, "absent_now": 40, "seconds": 100.0, "paused_seconds": 0.0, "refresh": counts}
    (tmp_path / FILE_NAME).write_text(json.dumps({"event": "end", "layers": {"survey": told}}))
    assert last_pace(tmp_path, "survey") == pytest.approx(10.0)

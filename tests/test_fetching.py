"""The fetch as a whole, with time and network handed in: what each kind of trouble costs, and what it never does."""

from __future__ import annotations

import asyncio
import hashlib
import random
import sqlite3
from collections.abc import Callable
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from packer.errors import BriefError, DiskError, StoreBusyError
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.store.pack_summary import PackSummary, read_summary
from tests.conftest import BriefMaker
from tests.fakes import NO_NAME, REFUSED, RESET, ScriptedTransport, VirtualClock, no_tile, page, tile_answer

URL = "https://tiles.example.org/survey/{z}/{x}/{y}.png"


@pytest.fixture
def brief_for(brief_for: BriefMaker) -> BriefMaker:
    """As everywhere, with somebody to write to."""
    return partial(brief_for, overview='overview = false\ncontact = "maps@example.org"')


@pytest.fixture
def brief(brief_for: BriefMaker) -> Brief:
    return brief_for(URL, area="box = [12.30, 47.00, 12.40, 47.05]\ndeepest = 15")


def run(
    brief: Brief,
    script: Callable[[Tile, int, float], Result],
    options: Options | None = None,
    *,
    robots: Callable[[float], Result] = lambda _now: no_tile(404),
    stop_at: float | None = None,
    stop_after: int | None = None,
    key: str = "s3cr3t-k3y",
) -> tuple[FetchReport, ScriptedTransport]:
    """One fetch on a clock that starts at 1000 s, stopped at a time or after so many tiles asked for."""

    async def go() -> tuple[FetchReport, ScriptedTransport]:
        async with VirtualClock() as clock:
            stop = asyncio.Event()

            def counted(tile: Tile, before: int, now: float) -> Result:
                if transport.asked.total() == stop_after:
                    stop.set()
                return script(tile, before, now)

            transport = ScriptedTransport(clock, counted, robots=robots)
            if stop_at is not None:
                asyncio.get_running_loop().create_task(_set_at(clock, stop_at, stop))
            report = await run_fetch(
                brief,
                plan(brief),
                options,
                clock=clock,
                stop=stop,
                make_transport=transport,
                environment={"KEY": key},
            )
            return report, transport

    return asyncio.run(go())


async def _set_at(clock: VirtualClock, when: float, event: asyncio.Event) -> None:
    await clock.sleep(when - clock.now())
    event.set()


def good(tile: Tile, before: int, now: float) -> Result:
    return tile_answer(tile)


def pack(brief: Brief) -> Path:
    return brief.store_folder / "survey.mbtiles"


def books(brief: Brief) -> PackSummary:
    return read_summary(pack(brief))


def planned(brief: Brief) -> TileSet:
    return plan(brief).layers["survey"].tiles


def test_a_sound_link_costs_one_request_a_tile(brief: Brief) -> None:
    report, transport = run(brief, good)
    assert report.complete
    assert books(brief).held == planned(brief)
    assert set(transport.asked.values()) == {1}
    assert transport.closed


def test_a_second_run_asks_for_nothing(brief: Brief) -> None:
    run(brief, good)
    report, transport = run(brief, good)
    assert report.complete
    assert not transport.asked
    assert report.layers["survey"].held_before == len(planned(brief))


def test_another_brief_on_the_same_layer_adds_to_the_pack(brief: Brief, brief_for: BriefMaker) -> None:
    run(brief, good)
    wider = brief_for(URL, area="box = [12.30, 47.00, 12.45, 47.05]\ndeepest = 15")
    _, transport = run(wider, good)
    assert TileSet.from_tiles(transport.asked) == planned(wider) - planned(brief)
    assert books(wider).held == planned(wider) | planned(brief)


@pytest.mark.parametrize("status", [204, 404, 410])
def test_what_the_server_has_not_is_remembered_and_not_asked_for_again(brief: Brief, status: int) -> None:
    def script(tile: Tile, before: int, now: float) -> Result:
        return no_tile(status) if tile.x % 2 else tile_answer(tile)

    report, _ = run(brief, script)
    odd = TileSet.from_tiles(t for t in planned(brief) if t.x % 2)
    assert report.complete
    assert books(brief).absent == odd
    again, transport = run(brief, script)
    assert again.complete
    assert not transport.asked
    asked_again, transport = run(brief, good, Options(ask_absent_again=True))
    assert TileSet.from_tiles(transport.asked) == odd
    assert asked_again.complete
    assert books(brief).held == planned(brief)
    assert not books(brief).absent


def test_a_tile_that_fails_now_and_then_is_asked_for_until_it_comes(brief: Brief) -> None:
    def script(tile: Tile, before: int, now: float) -> Result:
        return no_tile(500) if (tile.x + tile.y) % 5 == 0 and before < 2 else tile_answer(tile)

    report, _ = run(brief, script)
    assert report.complete
    assert books(brief).held == planned(brief)


def test_a_tile_that_always_fails_is_named_and_left_for_the_next_run(brief: Brief) -> None:
    bad = list(planned(brief))[40]

    def script(tile: Tile, before: int, now: float) -> Result:
        return no_tile(500) if tile == bad else tile_answer(tile)

    report, transport = run(brief, script)
    assert not report.complete
    assert report.total("missing") == report.total("failed") == 1
    assert transport.asked[bad] <= 8
    assert books(brief).held == planned(brief) - TileSet.from_tiles([bad])
    assert books(brief).troubles[0][1] == 1
    report, transport = run(brief, good)
    assert report.complete
    assert dict(transport.asked) == {bad: 1}
    assert books(brief).troubles == ()


@pytest.mark.parametrize("connections", [1, 8])
def test_a_single_last_tile_that_always_fails_does_not_wait_for_ever(
    brief_for: BriefMaker, connections: int
) -> None:
    brief = brief_for(URL, connections=connections)
    last = list(planned(brief))[-1]

    def script(tile: Tile, before: int, now: float) -> Result:
        return RESET if tile == last else tile_answer(tile)

    report, _ = run(brief, script)
    assert report.total("failed") == 1


@pytest.mark.parametrize("connections", [1, 8])
@pytest.mark.parametrize(
    "trouble", [REFUSED, NO_NAME, RESET, no_tile(502)], ids=["refused", "name", "reset", "502"]
)
def test_a_20_minute_outage_costs_time_only(brief_for: BriefMaker, trouble: Result, connections: int) -> None:
    brief = brief_for(URL, connections=connections)

    def script(tile: Tile, before: int, now: float) -> Result:
        return trouble if 1000.3 < now < 2200 else tile_answer(tile)

    report, transport = run(
        brief, script, robots=lambda now: trouble if 1000.3 < now < 2200 else no_tile(404)
    )
    assert report.complete
    assert report.total("failed") == 0
    assert books(brief).held == planned(brief)
    probes = sum(1 for start in transport.starts if 1005 < start < 2195)
    assert 30 <= probes <= 200, "the tool goes on by itself, and probes gently"


def test_an_outage_at_the_very_end_costs_time_only(brief: Brief) -> None:
    last = list(planned(brief))[-3:]

    def script(tile: Tile, before: int, now: float) -> Result:
        return RESET if tile in last and now < 2000 else tile_answer(tile)

    def robots(now: float) -> Result:
        return no_tile(404) if now < 1000.5 or now > 2000 else RESET

    report, _ = run(brief, script, robots=robots)
    assert report.complete
    assert report.total("failed") == 0


@pytest.mark.parametrize("connections", [1, 8])
def test_three_sign_in_pages_in_one_run_lose_nothing(brief_for: BriefMaker, connections: int) -> None:
    brief = brief_for(URL, area="box = [12.30, 47.00, 12.50, 47.10]\ndeepest = 15", connections=connections)
    signed_out = [(1000.2, 1300), (1300.3, 1700), (1700.4, 1900)]

    def out(now: float) -> bool:
        return any(a < now < b for a, b in signed_out)

    def script(tile: Tile, before: int, now: float) -> Result:
        return page() if out(now) else tile_answer(tile)

    report, _ = run(brief, script, robots=lambda now: page() if out(now) else no_tile(404))
    assert report.complete
    assert report.total("failed") == 0
    assert books(brief).held == planned(brief)


def test_retry_after_is_obeyed_to_the_second_for_the_whole_host(brief: Brief) -> None:
    told: list[float] = []

    def script(tile: Tile, before: int, now: float) -> Result:
        if not told and now > 1000.2:
            told.append(now)
            return no_tile(429, retry_after="90")
        return tile_answer(tile)

    report, transport = run(brief, script)
    assert report.complete
    assert not [s for s in transport.starts if told[0] < s < told[0] + 90]
    assert [s for s in transport.starts if told[0] + 90 <= s < told[0] + 92]


def test_a_server_that_is_often_busy_burns_no_tile(brief: Brief) -> None:
    def script(tile: Tile, before: int, now: float) -> Result:
        return no_tile(429) if hash((tile, before)) % 3 and before < 12 else tile_answer(tile)

    report, _ = run(brief, script)
    assert report.complete
    assert report.total("failed") == 0


@pytest.mark.parametrize("reply", [REFUSED, NO_NAME, page(), page(302), no_tile(500)])
def test_a_server_that_was_never_reached_is_given_up_with_advice(brief: Brief, reply: Result) -> None:
    report, _ = run(brief, lambda *_: reply, robots=lambda _now: reply)
    assert not report.complete
    assert 30 <= report.seconds < 90
    failure = report.layers["survey"].failure or ""
    assert "tiles.example.org" in failure
    assert "lastbar fetch" in failure
    assert "s3cr3t" not in failure


def test_give_up_after_sets_the_patience(brief: Brief) -> None:
    def script(tile: Tile, before: int, now: float) -> Result:
        return tile_answer(tile) if now < 1000.3 else REFUSED

    report, _ = run(brief, script, Options(give_up_after_s=600.0))
    assert not report.complete
    assert 600 <= report.seconds < 700
    assert books(brief).held


@pytest.mark.parametrize("status", [401, 403, 418, 451])
def test_a_layer_that_is_refused_is_stopped_after_a_few_requests(brief: Brief, status: int) -> None:
    report, transport = run(brief, lambda *_: no_tile(status))
    assert not report.complete
    assert sum(transport.asked.values()) <= 20 + 8
    assert str(status) in (report.layers["survey"].failure or "")
    assert not books(brief).held


def _body(body: bytes, kind: str) -> Response:
    return Response(200, {"content-type": kind, "content-length": str(len(body))}, body)


@pytest.mark.parametrize(
    "reply",
    [
        _body(b"", "image/png"),
        _body(b"<html><body>no map here</body></html>", "image/png"),
        _body(b'{"error": "quota"}', "application/json"),
        _body(tile_answer(Tile(1, 0, 0)).body[:-7], "image/png"),
        _body(b"\xff\xd8\xff\xe0" + b"\0" * 200, "image/jpeg"),
        _body(b"GIF89a" + b"\0" * 20, "image/gif"),
    ],
)
def test_a_bad_answer_is_never_stored(brief: Brief, reply: Result) -> None:
    report, _ = run(brief, lambda *_: reply, robots=lambda _now: no_tile(404))
    assert not report.complete
    assert not books(brief).held
    assert not books(brief).absent


def test_a_pack_holds_one_kind_of_tile(brief_for: BriefMaker) -> None:
    brief = brief_for("https://tiles.example.org/survey/{z}/{x}/{y}", connections=1)
    jpeg = (Path(__file__).parent / "data" / "grey.jpg").read_bytes()

    def script(tile: Tile, before: int, now: float) -> Result:
        return _body(jpeg, "image/jpeg") if tile.zoom == 3 else tile_answer(tile)

    report, _ = run(brief, script)
    assert report.total("failed") == 1
    assert books(brief).held == planned(brief) - planned(brief).at(3)


def test_a_stop_finishes_what_is_in_hand_and_goes_on_later(brief: Brief) -> None:
    report, transport = run(brief, good, stop_after=40)
    assert report.interrupted
    assert not report.complete
    assert 0 < report.total("stored") < len(planned(brief))
    assert TileSet.from_tiles(transport.asked) == books(brief).held
    second, transport = run(brief, good)
    assert second.complete
    assert TileSet.from_tiles(transport.asked) == planned(brief) - TileSet.from_tiles(
        t for t in planned(brief) if t not in transport.asked
    )
    assert report.total("stored") + second.total("stored") == len(planned(brief))


def test_a_stop_that_comes_with_the_last_tile_interrupts_nothing(brief: Brief) -> None:
    report, _ = run(brief, good, stop_after=len(planned(brief)) - 1)
    assert report.complete
    assert not report.interrupted
    assert report.stopped is None


def test_a_tile_that_was_given_up_is_not_put_down_to_the_bytes_allowed(brief: Brief) -> None:
    bad = next(iter(planned(brief)))

    def script(tile: Tile, before: int, now: float) -> Result:
        return no_tile(500) if tile == bad else tile_answer(tile)

    report, _ = run(brief, script, Options(max_bytes=10**9))
    assert report.total("failed") == report.total("missing") == 1
    assert report.stopped is None
    assert not report.interrupted


def test_a_stop_while_the_link_is_down_ends_at_once(brief: Brief) -> None:
    def script(tile: Tile, before: int, now: float) -> Result:
        return tile_answer(tile) if now < 1000.3 else REFUSED

    report, _ = run(brief, script, stop_at=1100.0)
    assert report.interrupted
    assert report.seconds < 130


def two_layers(brief_for: BriefMaker, folder: Path, second_url: str, deepest: str = "deepest = 15") -> Brief:
    """The usual layer, and another with caps of 3 requests at once and 40 a second."""
    text = brief_for(URL).path.read_text().replace("deepest = 15", deepest)
    second = text[text.index("[layers.survey]") : text.index("[[areas]]")].replace(URL, second_url)
    second = second.replace("[layers.survey]", "[layers.relief]").replace(
        "connections = 8", "connections = 3"
    )
    second = second.replace("requests-per-second = 100000", "requests-per-second = 40")
    return Brief.from_text(text.replace("[[areas]]", second + "\n[[areas]]"), folder / "brief.toml")


@pytest.mark.parametrize(
    "second", ["https://tiles.example.org", "http://tiles.example.org", "http://TILES.example.org:80"]
)
def test_the_caps_hold_across_layers_on_one_host(brief_for: BriefMaker, tmp_path: Path, second: str) -> None:
    brief = two_layers(brief_for, tmp_path, f"{second}/relief/{{z}}/{{x}}/{{y}}.png")
    flaky: set[Tile] = set()

    def script(tile: Tile, before: int, now: float) -> Result:
        if tile.x % 3 == 0 and tile not in flaky:
            flaky.add(tile)
            return no_tile(503)
        return tile_answer(tile)

    report, transport = run(brief, script)
    assert report.complete
    assert transport.most_at_once <= 3
    starts = sorted(transport.starts)
    assert max(sum(1 for s in starts if t <= s < t + 1.0) for t in starts) <= 40


def test_a_variable_that_is_not_set_is_named_before_anything_is_asked(brief_for: BriefMaker) -> None:
    brief = brief_for("https://tiles.example.org/survey/{z}/{x}/{y}.png?key=${ABSENT_KEY}")
    with pytest.raises(BriefError, match="ABSENT_KEY"):
        run(brief, good)
    assert not pack(brief).exists()


def test_a_key_reaches_the_server_and_nothing_else(brief_for: BriefMaker) -> None:
    brief = brief_for(
        "https://tiles.example.org/survey/{z}/{x}/{y}.png?key=${KEY}&plain=pl41n-k3y",
        layer='headers = { "X-Key" = "${KEY}" }',
    )

    def script(tile: Tile, before: int, now: float) -> Result:
        return RESET if tile.x % 7 == 0 else tile_answer(tile)

    report, _ = run(brief, script)
    everything = b"".join(p.read_bytes() for p in brief.store_folder.rglob("*") if p.is_file())
    for secret in (b"s3cr3t-k3y", b"pl41n-k3y"):
        assert secret not in everything
        assert secret.decode() not in str(report.to_dict())


BERRY = "hawthornBERRY"


@pytest.mark.parametrize(
    ("key", "place", "portal", "shown"),
    [
        (BERRY, "tiles.example.org/${KEY}", f"portal.example/go/{BERRY}/login", "https://portal.example/"),
        (BERRY, "tiles.example.org/${KEY}", "portal.example/hawthornberry", "https://portal.example/"),
        (BERRY, "tiles.example.org/x${KEY}", f"portal.example/x{BERRY}/login", "https://portal.example/"),
        ("hawthorn%42ERRY", "tiles.example.org/${KEY}", f"portal.example/{BERRY}", "https://portal.example/"),
        ("other", f"tiles.example.org/{BERRY}", f"portal.example/{BERRY}", "https://portal.example/"),
        (BERRY, "tiles.example.org/${KEY}", f"{BERRY}.portal.example/login", "any web page"),
        (BERRY, "${KEY}.example.org/a", "portal.example/guest/login", "https://portal.example/guest/login"),
    ],
)
def test_a_portal_that_repeats_a_key_does_not_bring_it_into_a_report(
    brief_for: BriefMaker, key: str, place: str, portal: str, shown: str
) -> None:
    body = f'<html><form action="https://{portal}">Sign in</form></html>'.encode()
    came = Response(200, {"content-type": "text/html", "content-length": str(len(body))}, body)
    brief = brief_for(f"https://{place}/{{z}}/{{x}}/{{y}}.png")
    report, _ = run(brief, lambda *_: came, Options(give_up_after_s=5, log=True), key=key)
    failure = report.layers["survey"].failure
    assert failure is not None
    assert f"Sign in at {shown} first" in failure
    everything = b"".join(p.read_bytes() for p in brief.store_folder.rglob("*") if p.is_file())
    told = f"{failure}{report.to_dict()}{everything.decode('latin-1')}".lower()
    assert key.lower() not in told
    assert BERRY.lower() not in told


def test_a_second_fetch_on_the_same_pack_is_refused(brief: Brief) -> None:
    async def both() -> None:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, good)
            first = asyncio.create_task(run_fetch(brief, plan(brief), clock=clock, make_transport=transport))
            while not transport.asked:
                await clock.sleep(0.01)
            with pytest.raises(StoreBusyError, match="Another fetch"):
                await run_fetch(
                    brief, plan(brief), clock=clock, make_transport=ScriptedTransport(clock, good)
                )
            assert (await first).complete

    asyncio.run(both())


def test_a_cancelled_fetch_leaves_a_whole_pack_that_stands_alone(brief: Brief) -> None:
    async def cancelled() -> None:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, good)
            task = asyncio.create_task(run_fetch(brief, plan(brief), clock=clock, make_transport=transport))
            while len(transport.asked) < 30:
                await clock.sleep(0.01)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task

    asyncio.run(cancelled())
    assert [p.name for p in brief.store_folder.iterdir() if not p.name.startswith(".")] == ["survey.mbtiles"]
    assert run(brief, good)[0].complete


def test_a_disk_that_fails_stops_the_run_and_keeps_what_was_committed(
    brief: Brief, monkeypatch: pytest.MonkeyPatch
) -> None:
    from packer.store.writer import PackWriter

    write = PackWriter.write
    calls = 0

    async def failing(self: PackWriter, batch: object, requests: int = 0) -> None:
        nonlocal calls
        calls += 1
        if calls == 3:
            raise DiskError("The disk is full.")
        await write(self, batch, requests)  # type: ignore[arg-type]  # passed on as it came

    monkeypatch.setattr(PackWriter, "write", failing)
    with pytest.raises(DiskError):
        run(brief, good, Options(batch_records=16))
    held = books(brief).held
    assert held
    monkeypatch.setattr(PackWriter, "write", write)
    _, transport = run(brief, good)
    assert TileSet.from_tiles(transport.asked) == planned(brief) - held


# ---------------------------------------------------------------------------------------------- doubt

PLAIN_URL = "http://tiles.example.org/survey/{z}/{x}/{y}.png"
WIDE = "box = [12.30, 47.00, 12.50, 47.10]\ndeepest = 15"
RULES = Response(200, {"content-type": "text/plain", "content-length": "0"}, b"User-agent: *\nDisallow:\n")


def _looks(transport: ScriptedTransport) -> int:
    """Requests for robots.txt."""
    return len(transport.starts) - transport.asked.total()


OWN = no_tile(404, server="maps")


# Each two of these meet once.
@pytest.mark.parametrize(
    ("url", "own", "impostor"),
    [
        *(
            (url, own, no_tile(status))
            for status in (404, 403)
            for url, own in ((URL, RULES), (PLAIN_URL, OWN))
        ),
        *(
            (url, own, no_tile(status))
            for status in (204, 410)
            for url, own in ((URL, OWN), (PLAIN_URL, RULES))
        ),
    ],
)
def test_a_device_that_says_no_to_everything_leaves_no_hole(
    brief_for: BriefMaker, url: str, own: Result, impostor: Result
) -> None:
    brief = brief_for(url, area=WIDE)
    really_absent = {t for t in planned(brief) if t.zoom == 15 and t.x % 9 == 0}

    def between(now: float) -> bool:
        return 1001 < now < 1301

    def script(tile: Tile, before: int, now: float) -> Result:
        if between(now):
            return impostor
        return no_tile(404) if tile in really_absent else tile_answer(tile)

    report, transport = run(brief, script, robots=lambda now: impostor if between(now) else own)
    assert report.complete
    assert report.total("failed") == 0
    assert books(brief).absent == TileSet.from_tiles(really_absent)
    assert books(brief).held == planned(brief) - TileSet.from_tiles(really_absent)
    assert sum(1 for s in transport.starts if 1005 < s < 1300) < 200, "it is probed gently meanwhile"


def test_a_sign_in_page_that_comes_with_the_first_tile_is_not_taken_for_the_host(
    brief_for: BriefMaker,
) -> None:
    """The network signs the planner out just after the first tiles: robots.txt gets its page, every tile a 404.
    Were that page taken for the host's own robots.txt, it would vouch for each of those 404s."""
    brief = brief_for(PLAIN_URL, area=WIDE)

    def signed_out(now: float) -> bool:
        return 1000.12 < now < 1301

    def robots(now: float) -> Result:
        return RESET if now < 1000.12 else page() if signed_out(now) else RULES

    report, _ = run(
        brief, lambda t, _b, now: no_tile(404) if signed_out(now) else tile_answer(t), robots=robots
    )
    assert report.complete
    assert not books(brief).absent
    assert books(brief).held == planned(brief)


def test_a_page_that_came_twice_with_a_tile_between_is_not_taken_for_the_host(brief_for: BriefMaker) -> None:
    """Signed out, signed in for a moment, signed out again, with robots.txt read each time while signed out."""
    brief = brief_for(PLAIN_URL, area=WIDE)

    def signed_out(now: float) -> bool:
        return now < 1000.07 or 1000.145 < now < 1301

    report, _ = run(
        brief,
        lambda t, _b, now: no_tile(404) if signed_out(now) else tile_answer(t),
        robots=lambda now: page() if signed_out(now) else RULES,
    )
    assert report.complete
    assert not books(brief).absent
    assert books(brief).held == planned(brief)


def test_ground_with_many_gaps_costs_few_questions(brief_for: BriefMaker) -> None:
    brief = brief_for(PLAIN_URL, area="box = [12.30, 47.00, 12.70, 47.20]\ndeepest = 15")

    def script(tile: Tile, before: int, now: float) -> Result:
        return tile_answer(tile) if tile.zoom < 14 or tile.x % 10 == 0 else no_tile(404)

    report, transport = run(brief, script, robots=lambda _now: RULES)
    assert report.complete
    assert report.total("absent") > 1000
    assert transport.asked.total() < 1.01 * len(transport.asked)
    assert _looks(transport) < 0.03 * transport.asked.total()


@pytest.mark.parametrize("url", [URL, PLAIN_URL])
def test_a_layer_that_never_gave_a_tile_has_a_wrong_address_and_no_gaps(
    brief_for: BriefMaker, url: str
) -> None:
    brief = brief_for(url)
    report, _ = run(brief, lambda *_: no_tile(404), robots=lambda _now: RULES)
    assert not report.complete
    assert report.total("absent") == 0
    assert "address" in (report.layers["survey"].failure or "")
    assert not books(brief).absent
    assert run(brief, good)[0].complete


def test_where_nobody_can_vouch_for_the_host_gaps_at_the_end_are_not_noted(brief_for: BriefMaker) -> None:
    """Plain HTTP, no robots.txt, a run in which no tile came: 404s could be anybody's."""
    brief = brief_for(PLAIN_URL)
    some = set(list(planned(brief))[:20])
    run(brief, lambda tile, _b, _n: tile_answer(tile) if tile in some else no_tile(404), stop_after=20)
    report, _ = run(brief, lambda *_: no_tile(404))
    assert not report.complete
    assert "nothing tells" in (report.layers["survey"].failure or "")
    again, _ = run(brief, lambda *_: no_tile(404), robots=lambda _now: RULES)
    assert again.complete, "a robots.txt of its own is proof enough"


def test_a_robots_txt_that_changes_during_the_run_holds_nothing_up(brief_for: BriefMaker) -> None:
    brief = brief_for(PLAIN_URL, area=WIDE)

    def script(tile: Tile, before: int, now: float) -> Result:
        return no_tile(404) if tile.zoom == 15 and tile.x % 3 else tile_answer(tile)

    report, _ = run(brief, script, robots=lambda now: RULES if now < 1001.5 else no_tile(404))
    assert report.complete
    assert report.total("failed") == 0
    assert report.seconds < 120


def test_a_robots_txt_that_changes_when_only_absent_tiles_are_left_holds_the_end_up_for_minutes_only_over_https(
    brief_for: BriefMaker,
) -> None:
    brief = brief_for(URL)
    last = list(planned(brief))[-3:]

    def script(tile: Tile, before: int, now: float) -> Result:
        return no_tile(404) if tile in last else tile_answer(tile)

    report, transport = run(brief, script, robots=lambda now: RULES if now < 1000.1 else no_tile(404))
    assert report.complete
    assert report.total("absent") == len(last)
    assert report.seconds < 700
    assert transport.asked.total() < len(transport.asked) + 100, "it is probed gently meanwhile"


def test_a_robots_txt_that_differs_each_time_still_vouches(brief_for: BriefMaker) -> None:
    brief = brief_for(PLAIN_URL)
    bad = list(planned(brief))[-1]

    def script(tile: Tile, before: int, now: float) -> Result:
        return no_tile(500) if tile == bad else tile_answer(tile)

    def robots(now: float) -> Result:
        body = f"Not found; request {now}".encode()
        return Response(404, {"content-type": "text/plain", "content-length": str(len(body))}, body)

    report, _ = run(brief, script, robots=robots)
    assert report.total("failed") == 1
    assert report.seconds < 300


def test_pages_where_tiles_should_be_end_the_layer_if_the_host_is_itself(brief: Brief) -> None:
    report, transport = run(brief, lambda *_: page(), robots=lambda _now: RULES)
    assert not report.complete
    assert "address" in (report.layers["survey"].failure or "")
    assert report.total("failed") == 0
    assert transport.asked.total() < 60


# ---------------------------------------------------------------------------------------------- bad links


def test_a_link_that_fails_every_third_request_costs_no_tile(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area="box = [12.30, 47.00, 12.70, 47.20]\ndeepest = 15")
    chance = random.Random(11)
    report, _ = run(brief, lambda tile, _b, _n: RESET if chance.random() < 0.33 else tile_answer(tile))
    assert report.complete
    assert report.total("stored") > 1400
    assert report.total("failed") == 0


def test_one_name_of_several_that_is_out_of_order_is_passed_by(brief_for: BriefMaker) -> None:
    brief = brief_for(
        "https://{s}.tiles.example.org/survey/{z}/{x}/{y}.png", layer='subdomains = ["a", "b", "c"]'
    )

    class HalfDeaf(ScriptedTransport):
        async def fetch(self, url: str, *rest: Any) -> Result:
            reply = await super().fetch(url, *rest)
            return NO_NAME if url.startswith("https://b.") else reply

    async def go() -> FetchReport:
        async with VirtualClock() as clock:
            return await run_fetch(brief, plan(brief), clock=clock, make_transport=HalfDeaf(clock, good))

    report = asyncio.run(go())
    assert report.complete
    assert report.seconds < 60


def test_another_port_of_a_host_is_another_server_with_caps_of_its_own(
    brief_for: BriefMaker, tmp_path: Path
) -> None:
    report, transport = run(two_layers(brief_for, tmp_path, URL.replace(".org", ".org:8443")), good)
    assert report.complete
    assert transport.most_at_once > 3


@pytest.mark.parametrize(
    ("deepest", "until", "words"),
    [
        (16, 1100, "no tile from tiles.example.org:443"),
        (18, 0, "nothing ever came from tiles.example.org:443"),
    ],
    ids=["outage", "no-outage"],
)
def test_a_host_that_answers_only_without_encryption_holds_nothing_up(
    brief_for: BriefMaker, tmp_path: Path, deepest: int, until: float, words: str
) -> None:
    """Both share a gate, but http answers for itself alone: https is given up, and http comes whole."""
    brief = two_layers(
        brief_for, tmp_path, URL.replace("https", "http").replace("survey", "relief"), f"deepest = {deepest}"
    )

    class Unencrypted(ScriptedTransport):
        async def fetch(self, url: str, *rest: Any) -> Result:
            reply = await super().fetch(url, *rest)
            outage = 1010 <= self.clock.now() < until
            return REFUSED if outage or url.startswith("https:") else reply

    async def go() -> FetchReport:
        async with VirtualClock() as clock:
            return await run_fetch(brief, plan(brief), clock=clock, make_transport=Unencrypted(clock, good))

    report = asyncio.run(go())
    assert report.layers["relief"].missing == 0
    failure = report.layers["survey"].failure
    assert failure is not None
    assert words in failure
    assert report.seconds < 200


# ---------------------------------------------------------------------------------------------- pictures


def test_the_same_image_at_many_places_raises_an_alarm(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=WIDE)
    same = tile_answer(Tile(0, 0, 0))
    told: list[LayerProgress] = []

    def script(tile: Tile, before: int, now: float) -> Result:
        return same if tile.zoom == 15 and tile.x % 3 == 0 else tile_answer(tile)

    async def go() -> FetchReport:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, script)
            return await run_fetch(
                brief, plan(brief), clock=clock, make_transport=transport, on_progress=told.extend
            )

    report = asyncio.run(go())
    (alarm,) = report.alarms
    assert alarm.sha256 == hashlib.sha256(same.body).hexdigest()
    assert alarm.tiles == sum(1 for t in planned(brief) if t.zoom == 15 and t.x % 3 == 0)
    assert report.to_dict()["alarms"] == [asdict(alarm)]
    assert any(la.alarms for la in told), "it is told while the fetch runs, too"


def test_images_that_differ_raise_no_alarm(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=WIDE)
    lake = tile_answer(Tile(0, 0, 0))
    report, _ = run(brief, lambda tile, _b, _n: lake if tile.x % 7 == 0 else tile_answer(tile))
    assert report.complete
    assert report.alarms == ()


def test_a_blank_image_that_the_brief_names_is_noted_as_absent_and_not_stored(brief_for: BriefMaker) -> None:
    blank = tile_answer(Tile(0, 0, 0))
    brief = brief_for(URL, layer=f'blank = ["{hashlib.sha256(blank.body).hexdigest()}"]')

    def script(tile: Tile, before: int, now: float) -> Result:
        return blank if tile.zoom == 15 and tile.x % 2 else tile_answer(tile)

    report, _ = run(brief, script)
    empty = TileSet.from_tiles(t for t in planned(brief) if t.zoom == 0 or (t.zoom == 15 and t.x % 2))
    assert report.complete
    assert report.alarms == ()
    assert books(brief).absent == empty
    assert books(brief).held == planned(brief) - empty
    with sqlite3.connect(pack(brief)) as db:
        assert {row[0] for row in db.execute("SELECT status FROM absent")} == {200}
    db.close()
    again, transport = run(brief, script)
    assert again.complete
    assert not transport.asked


def test_layers_on_one_host_progress_side_by_side(brief_for: BriefMaker, tmp_path: Path) -> None:
    text = brief_for(URL, area=WIDE, connections=4).path.read_text()
    second = text[text.index("[layers.survey]") : text.index("[[areas]]")].replace("survey", "relief")
    brief = Brief.from_text(text.replace("[[areas]]", second + "\n[[areas]]"), tmp_path / "brief.toml")
    report, _ = run(brief, good, stop_after=500)
    stored = [layer.stored for layer in report.layers.values()]
    assert min(stored) > 0.4 * sum(stored)

"""Keys that end in the middle of a run: the layer waits, finds another key by itself, and no key is in any file.

401: RFC 9110, section 15.5.2; 403: section 15.5.4; exp: RFC 7519, section 4.1.4. That signed addresses have their end
in the query, and that stores of files answer 403 for what they do not have, is common practice, no source.
"""

from __future__ import annotations

import asyncio
import base64
import json
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import keyring
import keyring.errors
import pytest

from packer.cli.key_notes import key_notes
from packer.errors import BriefError, InputError
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.rows import KeyWatch
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.sources import key_sources
from packer.sources.allowed_commands import allow_command
from packer.sources.key_ends import end_of
from packer.sources.key_sources import (
    KeyCommandError,
    forget_key,
    keep_key,
    key_from_command,
    key_from_keyring,
    key_values,
    known_keys,
)
from packer.store.pack_summary import read_summary
from tests.commands import fetch_in_batches, start
from tests.conftest import BriefMaker
from tests.fakes import MemoryKeyring, VirtualClock, no_tile, tile_answer
from tests.secret_ways import hits
from tests.tile_server import TileServer, answer

URL = "https://tiles.example.org/survey/{z}/{x}/{y}.png?key=${KEY}"
AREA = "box = [12.30, 47.00, 12.40, 47.05]\ndeepest = 15"
KEYS = ("ka-Hawthorn-771", "kb-Juniper-4417", "kc-Tamarack-93")


@pytest.fixture(autouse=True)
def ring(monkeypatch: pytest.MonkeyPatch) -> Iterator[MemoryKeyring]:
    before, made = keyring.get_keyring(), MemoryKeyring()
    monkeypatch.setattr(key_sources, "_known", set())
    monkeypatch.setattr(key_sources, "_given", {})
    keyring.set_keyring(made)
    yield made
    keyring.set_keyring(before)


@pytest.fixture
def brief_for(brief_for: BriefMaker) -> BriefMaker:
    return partial(
        brief_for, overview='overview = false\ncontact = "maps@example.org"', connections=4, rate=40
    )


@dataclass
class Server:
    """Gives tiles for the key that holds at a time, by `valid`; notes each request with its time and key."""

    clock: VirtualClock
    valid: Callable[[float], str | None]
    status: int = 401
    answer: Callable[[Tile], Result] = tile_answer
    asked: list[tuple[float, str, str]] = field(default_factory=list)

    def __call__(self, *_: object, **__: object) -> Server:
        return self

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        await self.clock.sleep(0.05)
        if url.endswith("/robots.txt"):
            return no_tile(404)
        path, _, key = url.partition("?key=")
        layer, *numbers = path.removesuffix(".png").split("/")[-4:]
        self.asked.append((self.clock.now(), layer, key))
        if layer == "survey" and key != self.valid(self.clock.now()):
            return no_tile(self.status)
        reply = self.answer(Tile(*map(int, numbers)))
        if isinstance(reply, Response):  # the server repeats the key where it would be kept
            reply = replace(reply, headers={**reply.headers, "etag": f'"{key}"'})
        return reply

    def between(self, begin: float, end: float, layer: str = "survey") -> list[float]:
        return [when for when, name, _ in self.asked if name == layer and begin <= when < end]

    async def aclose(self) -> None:
        pass


def run(
    brief: Brief,
    valid: Callable[[float], str | None],
    options: Options | None = None,
    *,
    environment: dict[str, str] | None = None,
    at: Mapping[float, Callable[[asyncio.Event], object]] | None = None,
    status: int = 401,
    answer: Callable[[Tile], Result] = tile_answer,
    seen: list[list[LayerProgress]] | None = None,
) -> tuple[FetchReport, Server]:
    """A fetch that starts at 1000 s; `at` has what happens at which time, and may set the event that stops it."""

    async def go() -> tuple[FetchReport, Server]:
        async with VirtualClock() as clock:
            server, stop = Server(clock, valid, status, answer), asyncio.Event()

            async def later(when: float, what: Callable[[asyncio.Event], object]) -> None:
                await clock.sleep(when - clock.now())
                what(stop)

            tasks = [asyncio.create_task(later(*one)) for one in (at or {}).items()]
            report = await run_fetch(
                brief,
                plan(brief),
                options or Options(log=True),
                clock=clock,
                stop=stop,
                make_transport=server,
                environment={"KEY": KEYS[0]} if environment is None else environment,
                on_progress=None if seen is None else seen.append,
            )
            for task in tasks:
                task.cancel()
            return report, server

    return asyncio.run(go())


def whole(brief: Brief) -> bool:
    return read_summary(brief.store_folder / "survey.mbtiles").held == plan(brief).layers["survey"].tiles


def assert_no_key(folder: Path, *told: object) -> None:
    for path in folder.rglob("*"):
        if path.is_file() and path.name not in ("key.py", "turns"):
            assert hits(str(path), path.read_bytes(), KEYS) == []
    assert hits("told", repr(told).encode(), KEYS) == []


def command_at(folder: Path, lines: str) -> str:
    """A key-command for a brief: a program of some lines."""
    (folder / "key.py").write_text(lines, encoding="utf-8")
    command = [sys.executable, "-S", "-E", str(folder / "key.py")]
    allow_command(command)
    return f"key-command = {json.dumps(command)}"


def turns(now: float) -> str:
    return KEYS[0] if now < 1002 else KEYS[1] if now < 1020 else KEYS[2]


# ------------------------------------------------------------------------------------------------ in a run


@pytest.mark.parametrize("status", [401, 403])
def test_a_key_that_ends_twice_is_replaced_by_the_command_with_nobody_there(
    brief_for: BriefMaker, tmp_path: Path, status: int
) -> None:
    count = tmp_path / "turns"
    count.write_text("0")
    command = command_at(
        tmp_path,
        f"p = {str(count)!r}\nn = int(open(p).read())\nopen(p, 'w').write(str(n + 1))\nprint({KEYS!r}[min(n, 2)])\n",
    )
    brief = brief_for(URL, area=AREA, layer=command)
    seen: list[list[LayerProgress]] = []
    # Each key holds until so many tiles have come by it.
    given: dict[str, int] = {}

    def valid(_now: float) -> str | None:
        n = int(count.read_text()) - 1
        key = KEYS[n]
        given[key] = given.get(key, 0) + 1
        return key if given[key] <= 60 or n == 2 else "none"

    report, server = run(brief, valid, environment={}, status=status, seen=seen)
    assert report.complete
    assert whole(brief)
    assert count.read_text() == "3"
    assert {key for _, _, key in server.asked} == set(KEYS)
    kinds = {str(la.pause.kind) for layers in seen for la in layers if la.pause}
    assert kinds <= {"key"}
    assert_no_key(tmp_path, report, seen)
    log = (brief.store_folder / "lastbar.log.jsonl").read_text()
    assert log.count('"kind": "key"') == log.count('"event": "resume"') == 2


def test_a_new_key_in_the_environment_is_found_within_seconds_and_meanwhile_the_server_is_left_in_peace(
    brief_for: BriefMaker, tmp_path: Path
) -> None:
    brief = brief_for(URL, area=AREA)
    environment, seen = {"KEY": KEYS[0]}, list[list[LayerProgress]]()
    ends, renewed = 1002.0, 1002.0 + 2400

    def valid(now: float) -> str | None:
        return KEYS[0] if now < ends else KEYS[1]

    report, server = run(
        brief,
        valid,
        environment=environment,
        at={renewed: lambda _stop: environment.update(KEY=KEYS[1])},
        seen=seen,
    )
    assert report.complete
    assert whole(brief)
    waited = server.between(ends + 5, renewed)
    assert 8 < len(waited) < 16  # one probe at growing distances, every five minutes in the end
    assert min(b - a for a, b in pairwise(waited)) > 4
    assert server.between(renewed, renewed + 3)
    [pause] = {(str(la.pause.kind), la.pause.where, la.pause.reason) for ls in seen for la in ls if la.pause}
    assert pause[:2] == ("key", "KEY")
    assert "401" in pause[2]
    assert_no_key(tmp_path, report, seen)


def test_a_key_put_into_the_keyring_is_found(
    brief_for: BriefMaker, tmp_path: Path, ring: MemoryKeyring
) -> None:
    brief = brief_for(URL, area=AREA)
    ring.kept["lastbar", "KEY"] = KEYS[0]
    report, _ = run(
        brief,
        lambda now: KEYS[0] if now < 1002 else KEYS[1],
        environment={},
        at={1200.0: lambda _stop: keep_key("KEY", KEYS[1])},
    )
    assert report.complete
    assert report.seconds < 275
    assert_no_key(tmp_path, report)


def test_the_same_key_that_is_taken_again_ends_the_wait_as_well(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=AREA)
    report, _ = run(brief, lambda now: None if 1002 <= now < 2000 else KEYS[0])
    assert report.complete
    assert 1000 < report.seconds < 1320


def test_layers_beside_it_go_on_also_on_the_same_host(brief_for: BriefMaker, tmp_path: Path) -> None:
    brief = brief_for(URL, area=AREA)
    text = (tmp_path / "brief.toml").read_text()
    other = text[text.index("[layers.survey]") : text.index("[[areas]]")]
    other = (
        other.replace("layers.survey", "layers.other")
        .replace("/survey/", "/other/")
        .replace("?key=${KEY}", "")
    )
    (tmp_path / "brief.toml").write_text(text.replace("[[areas]]", f"{other}\n[[areas]]"))
    brief = Brief.read(tmp_path / "brief.toml")
    environment = {"KEY": KEYS[0]}
    report, server = run(
        brief,
        lambda now: KEYS[0] if now < 1001 else KEYS[1],
        environment=environment,
        at={1500.0: lambda _stop: environment.update(KEY=KEYS[1])},
    )
    assert report.complete
    assert max(server.between(0, 9999, "other")) < 1030
    assert min(server.between(1500, 9999)) < 1502


def test_a_stop_while_it_waits_ends_at_once_and_the_next_run_fetches_the_rest(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=AREA)
    first, _ = run(brief, turns, at={1010.0: asyncio.Event.set})
    assert first.stopped == "asked"
    assert first.seconds < 13
    stored = first.layers["survey"].stored
    assert stored > 0
    again, server = run(brief, lambda _now: KEYS[1], environment={"KEY": KEYS[1]})
    assert again.complete
    assert len(server.asked) == again.layers["survey"].planned - stored


def test_a_limit_on_waiting_ends_it_with_a_sentence(brief_for: BriefMaker) -> None:
    report, _ = run(brief_for(URL, area=AREA), turns, Options(give_up_after_s=120))
    failure = report.layers["survey"].failure or ""
    assert "has not accepted the key in KEY for 120 s" in failure
    assert "401" in failure
    assert 100 < report.seconds < 130


@pytest.mark.parametrize("status", [401, 403])
def test_a_key_that_never_worked_is_wrong_and_not_waited_for(brief_for: BriefMaker, status: int) -> None:
    report, server = run(brief_for(URL, area=AREA), lambda _now: "another", status=status)
    assert "answers in a row" in (report.layers["survey"].failure or "")
    assert len(server.asked) <= 30


def test_where_403_is_the_word_for_a_tile_that_is_not_there_nothing_waits_for_a_key(
    brief_for: BriefMaker,
) -> None:
    brief, seen = brief_for(URL, area=AREA), list[list[LayerProgress]]()

    def answer(tile: Tile) -> Result:
        return no_tile(403) if tile.zoom == 15 and tile.x % 4 == 0 else tile_answer(tile)

    report, _ = run(brief, lambda _now: KEYS[0], answer=answer, seen=seen)
    assert not any(la.pause for layers in seen for la in layers)
    assert report.layers["survey"].missing == len(
        [t for t in plan(brief).layers["survey"].tiles if t.zoom == 15 and t.x % 4 == 0]
    )
    assert report.seconds < 60


def test_ground_that_the_server_lacks_by_403_is_got_past_in_minutes(brief_for: BriefMaker) -> None:
    """Looks like a key that has ended, until a probe from elsewhere gets a tile."""
    brief = brief_for(URL, area="box = [12.30, 46.80, 12.60, 47.05]\ndeepest = 15")
    rows = {t.y for t in plan(brief).layers["survey"].tiles if t.zoom == 15}
    sea = sorted(rows)[: len(rows) // 3]

    def answer(tile: Tile) -> Result:
        return no_tile(403) if tile.zoom == 15 and tile.y in sea else tile_answer(tile)

    report, _ = run(brief, lambda _now: KEYS[0], Options(give_up_after_s=1800), answer=answer)
    assert report.layers["survey"].failure is None or "answers in a row" in report.layers["survey"].failure
    assert report.seconds < 1800


def test_a_command_that_fails_is_told_and_asked_again(brief_for: BriefMaker, tmp_path: Path) -> None:
    count = tmp_path / "turns"
    count.write_text("0")
    lines = (
        f"p = {str(count)!r}\nn = int(open(p).read())\nopen(p, 'w').write(str(n + 1))\n"
        f"print({KEYS!r}[1 if n else 0])\nraise SystemExit(3 if n in (1, 2) else 0)\n"
    )
    brief, seen = brief_for(URL, area=AREA, layer=command_at(tmp_path, lines)), list[list[LayerProgress]]()
    report, _ = run(brief, lambda now: KEYS[0] if now < 1002 else KEYS[1], environment={}, seen=seen)
    assert report.complete
    reasons = {la.pause.reason for layers in seen for la in layers if la.pause}
    assert any("ended with 3" in reason for reason in reasons)
    assert_no_key(tmp_path, report, seen)


def test_killed_while_it_waits_for_a_key_it_goes_on_with_the_next_key(brief_for: BriefMaker) -> None:
    """By real processes, since a kill is one."""
    given = 0

    def fault(path: str) -> bytes | None:
        nonlocal given
        given += path.startswith("/survey/")
        if "robots" in path or f"key={KEYS[1]}" in path or given <= 40:
            return None
        return answer("401 Unauthorized")

    with TileServer(fault) as server:
        brief = brief_for(f"{server.url}?key=${{KEY}}", area=AREA)
        tiles = plan(brief).layers["survey"].tiles
        first = start(fetch_in_batches, str(brief.path), 8, environment={"KEY": KEYS[0]})
        assert not first.ended_before(server.reached(42))  # two are refused: from here on it waits
        assert first.kill()
        kept = read_summary(brief.store_folder / "survey.mbtiles").held
        before = server.tiles_asked
        assert start(fetch_in_batches, str(brief.path), 8, environment={"KEY": KEYS[1]}).wait() == 0
        assert set(server.tiles_asked - before) == {str(tile) for tile in tiles - kept}
    assert whole(brief)


# ------------------------------------------------------------------------------------------------ the watch alone


def test_a_refusal_followed_by_a_tile_was_the_tiles_own_by_403_and_nothing_by_401() -> None:
    watch = KeyWatch(came=True)
    assert watch.refused(Tile(9, 1, 1), 403, 1.0) is False
    watch.tile_came(2.0)
    assert [watch.refused(Tile(9, n, 1), 403, 3.0) for n in range(9)] == [None] * 9
    assert [watch.refused(Tile(9, n, 1), 401, 3.0) for n in range(2)] == [False, True]


def test_what_was_asked_for_before_the_refusals_clears_nothing_up() -> None:
    watch = KeyWatch(came=True)
    for n in range(4):
        assert watch.refused(Tile(9, n, 1), 403, 5.0) is False
    watch.tile_came(4.0)
    assert (
        watch.refused(Tile(9, 9, 1), 403, 5.5) is False
    )  # the row begins again, and 403 may still be the key's


def test_before_the_first_tile_and_by_another_status_no_key_has_ended() -> None:
    assert KeyWatch().refused(Tile(9, 1, 1), 401, 1.0) is None
    assert KeyWatch(came=True).refused(Tile(9, 1, 1), 451, 1.0) is None


# ------------------------------------------------------------------------------------------------ where keys come from


def test_a_value_comes_from_the_environment_then_the_command_then_the_keyring(ring: MemoryKeyring) -> None:
    prints = (sys.executable, "-S", "-E", "-c", "import os; print('by-' + os.environ['LASTBAR_KEY'])")
    allow_command(prints)
    ring.kept["lastbar", "A"] = ring.kept["lastbar", "B"] = "in-the-ring"
    assert key_values(["A"], {"A": " here "}, prints)["A"] == "here"
    assert key_values(["A"], {}, prints)["A"] == "by-A"
    assert key_values(["B"], {})["B"] == "in-the-ring"
    assert key_values(["A"], {"A": "here"}, prints, {"here"})["A"] == "by-A"
    assert key_values(["A"], {"A": "here"}, prints, {"here", "by-A"})["A"] == "in-the-ring"
    assert key_values(["A"], {"A": "here"}, prints, {"here", "by-A", "in-the-ring"})["A"] == "here"
    assert "C" not in key_values(["C"], {})
    assert known_keys().found_in("it says in-the-ring")


@pytest.mark.parametrize(
    ("code", "told"),
    [
        ("raise SystemExit(7)", "ended with 7"),
        ("pass", "printed nothing"),
        ("print('kx-one-4711'); print('kx-two-4711')", "something else"),
        ("print('kx' * 10000)", "something else"),
        ("import time; print('kx-4711', flush=True); time.sleep(60)", "within 0 s"),
    ],
)
def test_a_command_that_gives_no_key_is_told_without_what_it_printed(code: str, told: str) -> None:
    command = (sys.executable, "-S", "-E", "-c", code)
    allow_command(command)
    with pytest.raises(KeyCommandError, match=told) as refused:
        key_from_command(command, "KEY", 0.4 if "sleep" in code else 30)
    assert "4711" not in str(refused.value)


def test_a_command_that_is_not_there_stops_a_fetch_before_it_starts(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=AREA, layer='key-command = ["/nowhere/keys", "--secret=4711"]')
    allow_command(["/nowhere/keys", "--secret=4711"])
    with pytest.raises(BriefError, match="cannot be started") as refused:
        run(brief, turns, environment={})
    assert "4711" not in str(refused.value)


def test_the_keyring_keeps_and_forgets(ring: MemoryKeyring) -> None:
    keep_key("KEY", KEYS[0])
    assert key_from_keyring("KEY") == KEYS[0]
    assert forget_key("KEY") is True
    assert forget_key("KEY") is False
    assert key_from_keyring("KEY") is None


def test_a_keyring_that_fails_is_a_sentence_without_the_key(
    ring: MemoryKeyring, monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked(*_: Any) -> None:
        raise keyring.errors.KeyringLocked(f"cannot unlock for {KEYS[0]}")

    monkeypatch.setattr(MemoryKeyring, "set_password", locked)
    monkeypatch.setattr(MemoryKeyring, "get_password", locked)
    assert key_from_keyring("KEY") is None
    with pytest.raises(InputError, match="keyring did not keep the key") as refused:
        keep_key("KEY", KEYS[0])
    assert KEYS[0] not in str(refused.value)


def test_without_the_package_nothing_of_it_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(key_sources, "find_spec", lambda _name: None)
    monkeypatch.setitem(sys.modules, "keyring", None)
    assert key_from_keyring("KEY") is None
    with pytest.raises(InputError, match="not installed"):
        keep_key("KEY", KEYS[0])


# ------------------------------------------------------------------------------------------------ when keys end


def token(claims: object) -> str:
    def part(value: object) -> str:
        return base64.urlsafe_b64encode(json.dumps(value).encode()).decode().rstrip("=")

    return f"{part({'alg': 'HS256', 'typ': 'JWT'})}.{part(claims)}.c2lnbmF0dXJl"


WHEN = datetime(2026, 11, 30, 3, 10, tzinfo=UTC).timestamp()
ENDS = {
    "a token in a header": f"Bearer {token({'sub': 'crew', 'exp': int(WHEN)})}",
    "a token in a query": f"https://t.example/1?token={token({'exp': WHEN})}",
    "seconds": f"https://t.example/1?sig=abc&expires={int(WHEN)}",
    "milliseconds": f"https://t.example/1?valid-until={int(WHEN) * 1000}",
    "a moment": "https://t.example/1?se=2026-11-30T03%3A10%3A00Z&sig=abc",
    "another zone": "https://t.example/1?expiry=2026-11-30T04:10:00%2B01:00",
    "basic form": "https://t.example/1?x-end-time=20261130T031000Z",
    "a length from a moment": "https://t.example/1?X-Any-Date=20261130T021000Z&X-Any-Expires=3600",
    "the earlier of two": f"https://t.example/1?exp={int(WHEN)}&expires={int(WHEN) + 60}",
    "a cookie": f"sid=abc; Expires={int(WHEN)}",
}
NO_END = {
    "no query": "https://t.example/1/2/3.png",
    "a version": "https://t.example/1?v=1764472200",
    "a length alone": "https://t.example/1?expires=3600",
    "a word": "https://t.example/1?expires=never",
    "a token without it": f"Bearer {token({'sub': 'crew'})}",
    "a token that is none": "Bearer eyJhbGciOi.eyJub3Rqc29u.x",
    "an end in words": f"Bearer {token({'exp': 'soon'})}",
    "the year 5000": "https://t.example/1?expires=95617584000",
    "no host": "http://[oops?expires=1764472200",
}


@pytest.mark.parametrize("kind", ENDS)
def test_the_end_of_a_key_is_read_from_its_own_text(kind: str) -> None:
    assert end_of([ENDS[kind]]) == WHEN


@pytest.mark.parametrize("kind", NO_END)
def test_what_says_no_end_has_none(kind: str) -> None:
    assert end_of([NO_END[kind]]) is None


def test_a_key_that_will_end_is_told_at_the_start_and_counted_for_the_departure(
    brief_for: BriefMaker,
) -> None:
    def ending(after_s: float) -> str:
        return f"abc&expires={int(1_700_001_000 + after_s)}"  # the clock starts 1000 s after 1.7 billion

    wide = "box = [12.30, 46.80, 12.60, 47.05]\ndeepest = 15"
    brief, seen = brief_for(URL, area=wide, rate=5), list[list[LayerProgress]]()
    options = Options(for_s=3600, log=True)
    report, _ = run(
        brief,
        lambda _now: ending(40),
        options,
        environment={"KEY": ending(40)},
        seen=seen,
        at={1030.0: asyncio.Event.set},
    )
    assert any("The key of layer" in remark and "(in 40 s)" in remark for remark in report.remarks)
    forecast = [la.departure for layers in seen for la in layers if la.departure]
    assert forecast
    assert not any(one.complete for one in forecast)
    assert all(one.seconds_left is not None and one.seconds_left <= 40 for one in forecast)


def test_plan_and_status_say_what_is_lacking_and_what_will_end(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch, ring: MemoryKeyring
) -> None:
    brief = brief_for(URL, area=AREA)
    monkeypatch.delenv("KEY", raising=False)
    assert [note.partition(",")[0] for note in key_notes(brief, plan(brief))] == [
        "The environment variable KEY is not set"
    ]
    assert list(key_notes(brief, plan(brief), lacking=False)) == []
    ring.kept["lastbar", "KEY"] = token({"exp": int(WHEN + 10 * 365 * 86_400)})
    [note] = key_notes(brief, plan(brief))
    assert 'The key of layer "survey" in KEY ends at' in note
    monkeypatch.setenv("KEY", token({"exp": int(WHEN - 10 * 365 * 86_400)}))
    [note] = key_notes(brief, plan(brief))
    assert "ended at" in note

"""Several machines on one fetch of the desk: what can be chosen, who is told the code, and what is shown of each."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import segno

from packer.desk import hands_choice
from packer.desk.fetch_apart import fetch_here
from packer.desk.hands_choice import code_facts, hands_asked
from packer.desk.hands_shown import HandsSeen
from packer.desk.server import DeskServer
from packer.errors import InputError, LastbarError
from packer.fetching.hands.host import Hands
from packer.fetching.reports import HandProgress, LayerCounts, LayerProgress
from tests.conftest import BriefMaker
from tests.test_desk_document import BRIEF
from tests.test_desk_server import Page
from tests.tile_server import TileServer

pytest.importorskip("distributed", reason="The extra for hands is not installed")

CODE = "192.168.8.10:51234/5MZ4QH5LUAX77U53-LBFI23U7BQM2U2M4"
SECRET = CODE.split("/")[1]


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[DeskServer]:
    (tmp_path / "brief.toml").write_text(BRIEF, encoding="utf-8")
    with DeskServer(tmp_path) as desk:
        yield desk


@pytest.fixture
def page(desk: DeskServer) -> Iterator[Page]:
    with Page(desk) as page:
        yield page


@pytest.fixture(autouse=True)
def one_address(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hands_choice, "shareable_addresses", lambda: ["192.168.8.10"])


# ------------------------------------------------------------------------------------ what can be chosen


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("share", (1, "192.168.8.10")),
        ("10.0.0.5:8786", (1, "10.0.0.5:8786")),
        ("3", (3, None)),
        ("", None),
        (None, None),
    ],
)
def test_who_fetches_is_chosen_by_the_words_of_the_command(text: str | None, asked: object) -> None:
    assert hands_asked({"hands": text}) == asked


@pytest.mark.parametrize(
    ("hands", "told"),
    [
        ("0", "1 to 64, not 0"),
        ("65", "1 to 64, not 65"),
        (3, "an address of this machine, or a number"),
        ("9" * 300, "an address of this machine, or a number"),
    ],
)
def test_who_cannot_fetch_is_refused_with_what_to_do(hands: object, told: str) -> None:
    with pytest.raises(InputError, match=told):
        hands_asked({"hands": hands})


@pytest.mark.parametrize(
    ("addresses", "told"),
    [
        ([], "not on a local network"),
        (["192.168.8.10", "10.1.2.3"], r"several local addresses: 192.168.8.10, 10.1.2.3\. Choose the one"),
    ],
)
def test_no_address_of_several_is_guessed(
    monkeypatch: pytest.MonkeyPatch, addresses: list[str], told: str
) -> None:
    monkeypatch.setattr(hands_choice, "shareable_addresses", lambda: addresses)
    with pytest.raises(InputError, match=told):
        hands_asked({"hands": "share"})


def test_where_the_extra_is_missing_the_page_says_how_to_get_it(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing() -> None:
        raise InputError('It is not installed here. Install it with: pip install "lastbar[hands]"')

    assert page.get("/api/hands") == {"why": "", "addresses": ["192.168.8.10"]}
    monkeypatch.setattr(hands_choice, "check_hands", missing)
    assert page.get("/api/hands")["why"].endswith('pip install "lastbar[hands]" Then start the desk again.')
    assert "not installed" in page.post("/api/jobs/fetch", {"hands": "2"}, 400)["error"]


# ------------------------------------------------------------------------------------ the code


def test_a_code_is_told_to_a_page_with_the_pass_alone_and_only_while_the_fetch_runs(
    page: Page, desk: DeskServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: dict[str, Any] = {}

    async def run_fetch(*_: object, hands: Hands, **_more: object) -> Any:
        seen["asked"] = (hands.count, hands.place)
        hands.on_code(CODE)
        seen["told"] = page.get("/api/hands/code")
        seen["state"] = page.get("/api/state")
        seen["limit"] = page.post("/api/at-most", {"speed": "2 Mbit"})["at_most"]
        raise LastbarError("enough is seen")

    monkeypatch.setattr("packer.desk.fetch_order.run_fetch", run_fetch)
    desk.session.support = replace(desk.session.support, run=fetch_here)
    assert "No other machine can join" in page.get("/api/hands/code", 404)["error"]
    page.post("/api/jobs/fetch", {"hands": "share"})
    ended = page.ended("fetch")
    assert ended["error"] == "enough is seen"
    assert seen["asked"] == (1, "192.168.8.10")
    assert seen["told"] == code_facts(CODE)
    assert seen["state"]["jobs"]["fetch"]["joinable"]
    assert seen["limit"]["bits_per_second"] == 2e6
    assert SECRET not in json.dumps([seen["state"], ended, page.get("/api/state"), page.get("/api/log")])
    assert SECRET not in repr(desk.session.jobs._last["fetch"])
    page.get("/api/hands/code", 404)


def test_the_square_is_the_qr_code_of_the_code() -> None:
    rows = code_facts(CODE)["square"]
    # The quiet zone of ISO/IEC 18004 is four modules wide, and a finder pattern stands in the corner within it.
    assert rows[0] == "0" * len(rows)
    assert rows[4][:13] == "0000" + "1111111" + "00"
    drawn = segno.make(CODE, micro=False, error="l").matrix
    assert [row[4:-4] for row in rows[4:-4]] == ["".join(map(str, row)) for row in drawn]


# ------------------------------------------------------------------------------------ what is shown


def layer(name: str, *hands: HandProgress, lent: bool = True) -> LayerProgress:
    return LayerProgress(name, 9, 0, 0, LayerCounts(), None, "h", hands=hands if lent else None)


def test_a_hand_that_left_stays_in_sight_and_one_that_is_back_is_at_work() -> None:
    seen = HandsSeen()
    north, truck = HandProgress("north", 7, 3.04, 2e6, 2), HandProgress("truck", 1, 0, 0, 2, silent_s=70)
    told = seen.note([layer("wms", lent=False), layer("aerial", north, truck)], 1.0)
    assert [one["name"] for one in told["here"]] == ["north", "truck"]
    assert (told["here"][0]["tiles_per_second"], told["left"]) == (3.0, [])
    told = seen.note([layer("aerial")], 2.0)
    assert told["left"] == [
        {"name": "north", "tiles": 7, "at": 2.0, "lost": False},
        {"name": "truck", "tiles": 1, "at": 2.0, "lost": True},
    ]
    told = seen.note([layer("aerial", replace(north, tiles=0))], 3.0)
    assert [one["name"] for one in told["here"]] == ["north"]
    assert [one["name"] for one in told["left"]] == ["truck"]


def test_before_hands_may_join_nobody_is_said_to_have_left() -> None:
    seen = HandsSeen()
    assert seen.note([layer("aerial", lent=False)], 1.0) == {"here": [], "left": []}


def test_a_fetch_of_the_desk_with_hands_fetches_all_and_leaves_no_code_behind(
    brief_for: BriefMaker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the real processes: the fetch's own, and the hand's below it."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.delenv("DBUS_SESSION_BUS_ADDRESS", raising=False)
    codes, events, job = set[str](), list[str](), dict[str, Any]()
    with TileServer() as server:
        brief = brief_for(server.url)
        with DeskServer(brief.path) as desk, Page(desk) as page:
            page.post("/api/jobs/fetch", {"hands": "127.0.0.1"})
            with page.http.stream("GET", "/api/events", timeout=60) as stream:
                for line in stream.iter_lines():
                    events.append(line)
                    if not (line.startswith("data:") and '"kind":"fetch"' in line):
                        continue
                    job = json.loads(line[5:])
                    if job["joinable"] and not codes:
                        codes.add(page.get("/api/hands/code")["code"])
                    if job["state"] in ("done", "failed"):
                        break
            told = json.dumps(page.get("/api/state")) + "".join(events)
    assert job["error"] is None
    assert job["result"]["complete"]
    assert "hand joined" in (brief.store_folder / "lastbar.log.jsonl").read_text("utf-8")
    assert set(server.tiles_asked.values()) == {1}
    [code] = codes
    secret = code.split("/")[1].split("-")[0]
    kept = [path for path in tmp_path.rglob("*") if path.is_file() and secret.encode() in path.read_bytes()]
    assert secret not in told
    assert kept == []

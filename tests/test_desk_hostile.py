"""The desk's write addresses under attack: forged, replayed, oversized, too deep, of the wrong type, out of the folder.

All in process: what is sent goes to the application behind its guard, without a socket.
"""

from __future__ import annotations

import asyncio
import json
import re
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.routing import Route
from starlette.types import ASGIApp

from packer.desk.changes import read_change
from packer.desk.document import StaleRevisionError
from packer.desk.endpoints import desk_endpoints
from packer.desk.guard import DeskGuard, Tokens
from packer.desk.session import Session
from packer.planning.brief import Brief
from tests.test_desk_document import BRIEF

ORIGIN = "http://127.0.0.1"
WRITES = (
    *("/api/change", "/api/undo", "/api/redo", "/api/restore", "/api/take-theirs", "/api/keep-ours"),
    *("/api/fit", "/api/take", "/api/speed", "/api/at-most", "/api/weigh", "/api/would-go", "/api/file"),
    *("/api/try-layer", "/api/collection", "/api/key", "/api/programs"),
    *("/api/jobs/fetch", "/api/jobs/fetch/stop", "/api/jobs/handover", "/api/jobs/verify"),
    *("/api/jobs/prune", "/api/jobs/merge", "/api/jobs/take-in", "/api/jobs/split", "/api/jobs/inspect"),
    "/api/open",
)
DEEP = json.loads("[" * 400 + "]" * 400)


class Page:
    """A browser in front of the application, without a socket."""

    def __init__(self, app: ASGIApp, runner: asyncio.Runner) -> None:
        self.app, self._runner = app, runner
        self._client = httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url=ORIGIN)

    def request(self, method: str, path: str, **more: Any) -> httpx.Response:
        return self._runner.run(self._client.request(method, path, **more))

    def get(self, path: str) -> httpx.Response:
        return self.request("GET", path)

    def post(self, path: str, **more: Any) -> httpx.Response:
        return self.request("POST", path, **more)

    def another(self) -> Page:
        return Page(self.app, self._runner)


@dataclass
class Desk:
    """The application behind its guard, a page that has opened it, and its folder."""

    session: Session
    tokens: Tokens
    page: Page
    folder: Path

    def post(self, path: str, body: object, **headers: str) -> httpx.Response:
        content = body if isinstance(body, bytes) else json.dumps(body).encode()
        kind = {"Content-Type": "application/json", "Origin": ORIGIN}
        return self.page.post(path, content=content, headers={**kind, **headers})

    def other_page(self) -> Page:
        page = self.page.another()
        assert page.get(f"/open?token={self.tokens.token}").status_code == 303
        return page


def told(answer: httpx.Response) -> str:
    """The sentence of a refusal, which is short however long what was sent is."""
    assert 400 <= answer.status_code < 500, (answer.status_code, answer.text[:300])
    sentence = answer.json()["error"]
    assert isinstance(sentence, str)
    assert 0 < len(sentence) < 6000
    return sentence


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    folder = tmp_path / "trip"
    folder.mkdir()
    (folder / "brief.toml").write_text(BRIEF, encoding="utf-8")
    session, tokens = Session(folder), Tokens()
    guard = DeskGuard(desk_endpoints(session), tokens)
    with asyncio.Runner() as runner:
        page = Page(guard, runner)
        assert page.get(f"/open?token={tokens.token}").status_code == 303
        yield Desk(session, tokens, page, folder)
    session.close()
    assert (folder / "brief.toml").exists()


def unchanged(desk: Desk) -> bool:
    there = {p.relative_to(desk.folder.parent).as_posix() for p in desk.folder.parent.rglob("*")}
    return (desk.folder / "brief.toml").read_text("utf-8") == BRIEF and there == {"trip", "trip/brief.toml"}


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://attacker.example"},
        {"Origin": "http://127.0.0.1:9"},
        {"Origin": "http://127.0.0.1.attacker.example"},
        {"Origin": "https://127.0.0.1"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Cookie": "lastbar-desk=guessed"},
        {"Cookie": 'lastbar-desk="'},
        {"Host": "attacker.example", "Origin": "http://attacker.example"},
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Content-Type": "multipart/form-data; boundary=x"},
    ],
    ids=str,
)
def test_no_write_address_answers_to_another_site(desk: Desk, headers: dict[str, str]) -> None:
    for path in WRITES:
        assert desk.post(path, {"revision": 1}, **headers).status_code in (403, 415, 421), path
    assert unchanged(desk)


@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "PATCH", "DELETE", "OPTIONS"])
def test_no_write_address_changes_anything_by_another_method(desk: Desk, method: str) -> None:
    for path in WRITES:
        if method not in {"GET", "HEAD"} or path not in {"/api/collection", "/api/key", "/api/programs"}:
            assert desk.page.request(method, path, headers={"Origin": ORIGIN}).status_code == 405, path
    assert unchanged(desk)


def test_a_link_that_was_used_opens_nothing_and_gives_no_pass(desk: Desk) -> None:
    link = f"/open?token={desk.tokens.token}"
    assert desk.page.get(link).status_code == 303
    for again in (link, "/open?token=", "/open", "/open?token=%FF%00", f"{link}&token=x"):
        stranger = desk.page.another()
        answer = stranger.get(again)
        assert answer.status_code == 403
        assert "set-cookie" not in answer.headers
        assert stranger.get("/api/state").status_code == 403


def test_of_two_pages_that_change_the_same_revision_one_is_told_so_and_nothing_is_lost(desk: Desk) -> None:
    other = desk.other_page()
    first = {"revision": 1, "change": {"do": "set-area", "name": "valley", "values": {"deepest": 15}}}
    second = {"revision": 1, "change": {"do": "set-brief", "values": {"title": "Other"}}}
    assert desk.post("/api/change", first).status_code == 200
    headers = {"Origin": ORIGIN}
    answer = other.post("/api/change", json=second, headers=headers)
    assert answer.status_code == 409
    for path in ("/api/undo", "/api/redo", "/api/take"):
        body = {"revision": 1, "edits": [{"kind": "Deepest", "area": "valley", "zoom": 12}]}
        assert other.post(path, json=body, headers=headers).status_code == 409, path
    assert other.post("/api/change", json={**second, "revision": 2}, headers=headers).status_code == 200
    text = (desk.folder / "brief.toml").read_text("utf-8")
    assert "deepest = 15" in text
    assert 'title = "Other"' in text


def test_of_many_changes_to_one_revision_at_the_same_moment_just_one_is_made(desk: Desk) -> None:
    begin = threading.Barrier(8)

    def change(zoom: int) -> bool:
        made = read_change({"do": "set-area", "name": "valley", "values": {"deepest": zoom}})
        begin.wait(10)
        try:
            desk.session.document.change(1, made)
        except StaleRevisionError:
            return False
        return True

    with ThreadPoolExecutor(8) as threads:
        done = list(threads.map(change, range(5, 13)))
    assert done.count(True) == 1
    assert Brief.read(desk.folder).areas[1].deepest == 5 + done.index(True)
    assert desk.session.document.now().revision == 2


def test_of_many_uses_of_one_link_at_the_same_moment_just_one_opens(desk: Desk) -> None:
    token, begin = desk.tokens.token, threading.Barrier(8)

    def use(_: int) -> str | None:
        begin.wait(10)
        return desk.tokens.use(token)

    with ThreadPoolExecutor(8) as threads:
        passes = [one for one in threads.map(use, range(8)) if one is not None]
    assert len(passes) == 1


LONG = "n" * 3_000_000


@pytest.mark.parametrize("path", ["/api/change", "/api/collection", "/api/fit", "/api/jobs/handover"])
def test_a_name_of_10_mb_is_cut_off_at_every_address(desk: Desk, path: str) -> None:
    assert desk.post(path, b'{"name": "' + b"n" * 10_000_000 + b'"}').status_code == 413
    assert unchanged(desk)


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/change", {"revision": 1, "change": {"do": "delete-area", "name": LONG}}),
        ("/api/change", {"revision": 1, "change": {"do": "set-area", "name": "valley", "values": {LONG: 1}}}),
        ("/api/change", {"revision": 1, "change": {"do": "set-area", "name": "camp", "values": {"name": LONG}}}),
        ("/api/change", {"revision": 1, "change": {"do": LONG}}),
        ("/api/change", {"revision": 1, "change": {"do": "undo", LONG: 1}}),
        ("/api/restore", {"revision": 1, "version": LONG}),
        ("/api/fit", {"target": LONG}),
        ("/api/speed", {"speed": LONG}),
        ("/api/take", {"revision": 1, "edits": [{"kind": "Deepest", "area": LONG, "zoom": 3}]}),
        ("/api/try-layer", {"address": f"http://127.0.0.1:9/{LONG}"}),
        ("/api/collection", {"name": LONG, "values": {"url": "http://127.0.0.1:9/{z}/{x}/{y}.png"}}),
        ("/api/collection", {"name": "a", "values": {"url": "http://127.0.0.1:9/{z}/{x}/{y}.png" + LONG}}),
        ("/api/jobs/fetch", {"depart": LONG}),
        ("/api/jobs/verify", {"depth": LONG}),
        ("/api/jobs/handover", {"to": "card", "as": LONG}),
        ("/api/jobs/take-in", {"layer": LONG, "path": "a"}),
        ("/api/jobs/take-in", {"layer": "aerial", "path": LONG}),
        ("/api/jobs/merge", {"from": LONG}),
        ("/api/jobs/split", {"parts": 2, "to": LONG}),
        ("/api/jobs/prune", {"remove": LONG}),
        ("/api/jobs/fetch", {"refresh_older_than": LONG}),
        ("/api/collection/file", {"text": LONG}),
    ],
    ids=lambda value: str(value)[:60],
)  # fmt: skip
def test_a_name_of_3_mb_is_refused_in_a_short_sentence(desk: Desk, path: str, body: object) -> None:
    told(desk.post(path, body))
    assert unchanged(desk)


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/change", {"revision": 1, "change": DEEP}),
        ("/api/change", {"revision": 1, "change": {"do": "set-area", "name": "valley", "values": {"box": DEEP}}}),
        ("/api/change", {"revision": 1, "change": {"do": "set-brief", "values": {"title": DEEP}}}),
        ("/api/take", {"revision": 1, "edits": DEEP}),
        ("/api/fit", {"target": "1MB", "refused": DEEP, "revision": DEEP}),
        ("/api/collection", {"name": "a", "values": {"zooms": DEEP}}),
        ("/api/jobs/handover", {"to": DEEP, "as": DEEP}),
        ("/api/change", b"[" * 2_000_000),
        ("/api/change", b'{"revision": 1, "change": ' + b'{"a":' * 500_000),
        ("/api/change", b'{"revision": ' + b"9" * 5000 + b"}"),
        ("/api/change", b"\xff\xfe\x00"),
        ("/api/change", b'{"revision": NaN}'),
    ],
    ids=lambda value: str(value)[:60],
)  # fmt: skip
def test_json_that_is_too_deep_or_none_is_refused(desk: Desk, path: str, body: object) -> None:
    answer = desk.post(path, body)
    if path != "/api/fit":  # which looks at what it knows alone
        told(answer)
    assert answer.status_code < 500
    assert unchanged(desk)


ODD: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    1.5,
    10**30,
    float("nan"),
    "",
    "\ud800",
    "\x00",
    [],
    [[]],
    {},
    {"a": None},
)


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/change", {"revision": "?"}),
        ("/api/change", {"revision": 1, "change": "?"}),
        ("/api/change", {"revision": 1, "change": {"do": "?"}}),
        ("/api/change", {"revision": 1, "change": {"do": "delete-area", "name": "?"}}),
        ("/api/change", {"revision": 1, "change": {"do": "move-area", "name": "camp", "to": "?", "more": 1}}),
        ("/api/change", {"revision": 1, "change": {"do": "add-layer", "name": "?", "values": {"url": "?"}}}),
        ("/api/change", {"revision": 1, "change": {"do": "set-area", "name": "camp", "values": {"name": "?", "x": 1}}}),
        ("/api/undo", {"revision": "?"}),
        ("/api/redo", {"revision": "?"}),
        ("/api/restore", {"revision": 1, "version": "?"}),
        ("/api/take", {"revision": 1, "edits": "?"}),
        ("/api/take", {"revision": 1, "edits": [{"kind": "?", "area": "?"}]}),
        ("/api/take", {"revision": 1, "edits": [{"kind": "Deepest", "area": "?", "zoom": "?"}]}),
        ("/api/take", {"revision": 1, "edits": [{"kind": "HalfWidth", "area": "?", "metres": "?"}]}),
        ("/api/fit", {"target": "?"}),
        ("/api/speed", {"speed": ["?"]}),
        ("/api/at-most", {"speed": ["?"]}),
        ("/api/at-most", {"speed": "2 Mbit", "until": {"?": 1}}),
        ("/api/speed", {"speed": {"?": 1}}),
        ("/api/try-layer", {"address": "?", "lon": "?"}),
        ("/api/collection", {"name": "?", "values": "?"}),
        ("/api/collection", {"name": "a", "values": {"url": ["?"]}}),
        ("/api/jobs/fetch", {"depart": ["?"]}),
        ("/api/jobs/verify", {"depth": ["?"]}),
        ("/api/jobs/handover", {"to": ["?"]}),
        ("/api/jobs/handover", {"to": "card", "as": ["?"]}),
        ("/api/jobs/inspect", {"to": ["?"]}),
        ("/api/jobs/merge", {"from": "?"}),
        ("/api/jobs/take-in", {"layer": "aerial", "path": "?"}),
        ("/api/jobs/take-in", {"layer": "?", "path": "a"}),
        ("/api/jobs/split", {"parts": "?", "to": "a"}),
        ("/api/jobs/split", {"parts": 2, "to": "?"}),
        ("/api/jobs/prune", {"remove": ["?"]}),
        ("/api/jobs/fetch", {"max_bytes": ["?"]}),
        ("/api/jobs/fetch", {"refresh_older_than": {"?": 1}}),
        ("/api/open", {"path": "?"}),
        ("/api/collection/file", {"text": ["?"]}),
        ("/api/jobs/nonsense", {"a": "?"}),
    ],
    ids=lambda value: str(value)[:70],
)  # fmt: skip
def test_a_value_of_a_wrong_type_is_refused_in_a_sentence_and_changes_nothing(
    desk: Desk, path: str, body: object
) -> None:
    for odd in ODD:
        sent = json.dumps(body).replace('"?"', json.dumps(odd) if '{"?"' not in json.dumps(body) else '"a"')
        told(desk.post(path, sent.encode()))
    assert unchanged(desk)


URL = "http://127.0.0.1:9/{z}/{x}/{y}.png"
KEY = "Zm9vYmFyS3cretK3y9"


@pytest.mark.parametrize(
    "change",
    [
        {"do": "add-layer", "name": "a", "values": {"url": f"{URL}?key={KEY}", "zooms": [0, 9]}},
        {"do": "set-layer", "name": "aerial", "values": {"url": f"{URL}?key={KEY}"}},
        {"do": "set-layer", "name": "aerial", "values": {"headers": {"X-Key": KEY}}},
        {"do": "set-layer", "name": "aerial", "values": {"headers": {"Authorization": f"Bearer {KEY}"}}},
        {"do": "set-brief", "values": {"layers": {"aerial": {"url": f"{URL}?key={KEY}"}}}},
        {"do": "set-brief", "values": {"layers": None}},
    ],
    ids=str,
)
def test_no_change_writes_a_key_in_full_by_whatever_way(desk: Desk, change: object) -> None:
    assert KEY not in told(desk.post("/api/change", {"revision": 1, "change": change}))
    assert unchanged(desk)


def test_a_header_whose_key_is_in_the_environment_is_written(desk: Desk) -> None:
    change = {
        "do": "set-layer",
        "name": "aerial",
        "values": {"headers": {"Authorization": "Bearer ${MAP_KEY}"}},
    }
    assert desk.post("/api/change", {"revision": 1, "change": change}).status_code == 200
    assert "${MAP_KEY}" in (desk.folder / "brief.toml").read_text("utf-8")


GPX = b'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="47" lon="12"/></gpx>'


@pytest.mark.parametrize(
    "name",
    [
        "../out.gpx",
        "..\\out.gpx",
        "/tmp/out.gpx",
        "C:\\out.gpx",
        "a/../../out.gpx",
        "\u2024\u2024/out.gpx",
        "~/out.gpx",
        "out.gpx\x00.toml",
        "..%2fout.gpx",
    ],
)
def test_a_dropped_file_stays_in_the_folder_whatever_it_is_called(desk: Desk, name: str) -> None:
    headers = {"Origin": ORIGIN, "Content-Type": "application/octet-stream"}
    answer = desk.page.post("/api/file", params={"name": name}, content=GPX, headers=headers)
    assert answer.status_code in (200, 400)
    there = [p for p in desk.folder.parent.rglob("*") if p.is_file() and p.name != "brief.toml"]
    assert all(p.parent == desk.folder for p in there)
    assert (desk.folder / "brief.toml").read_text("utf-8") == BRIEF


BAD_NAMES = (
    "brief.toml",
    "BRIEF.TOML",
    ".brief.toml",
    "",
    ".",
    "..",
    "nul.gpx",
    "noending",
    "\ud800.gpx",
    "x" * 3000,
)


@pytest.mark.parametrize("name", BAD_NAMES)
def test_a_dropped_file_never_takes_the_briefs_name_or_one_that_no_file_can_have(
    desk: Desk, name: str
) -> None:
    headers = {"Origin": ORIGIN, "Content-Type": "application/octet-stream"}
    query = {"name": name.encode("utf-8", "surrogatepass")}
    answer = desk.page.post("/api/file", params=query, content=GPX, headers=headers)
    assert answer.status_code in (200, 400)
    assert (desk.folder / "brief.toml").read_text("utf-8") == BRIEF


def test_a_dropped_file_is_not_written_through_a_link_that_leads_out(desk: Desk, tmp_path: Path) -> None:
    victim = tmp_path / "victim.gpx"
    victim.write_bytes(b"before")
    (desk.folder / "course.gpx").symlink_to(victim)
    headers = {"Origin": ORIGIN, "Content-Type": "application/octet-stream"}
    answer = desk.page.post("/api/file", params={"name": "course.gpx"}, content=GPX, headers=headers)
    assert answer.json()["file"] == "course 2.gpx"
    assert victim.read_bytes() == b"before"


@pytest.mark.parametrize(
    "version",
    ["../../brief.toml", "../../../trip/brief.toml", "/etc/passwd", "20260101-000000.toml/../x"],
)
def test_no_version_leads_out_of_the_folder_of_versions(desk: Desk, version: str) -> None:
    told(desk.post("/api/restore", {"revision": 1, "version": version}))
    quoted = version.replace("/", "%2F")
    assert desk.page.get(f"/api/versions/{quoted}").status_code in (400, 404)
    assert unchanged(desk)


def test_the_table_of_addresses_names_each_one_and_no_other(desk: Desk) -> None:
    text = (Path(__file__).parent.parent / "docs" / "desk.md").read_text("utf-8")
    told = set()
    for cell in re.findall(r"^\| (`(?:GET|POST) [^|]*) \|", text, re.MULTILINE):
        method = ""
        for address in re.findall(r"`([^`]+)`", cell):
            method, path = address.split() if " " in address else (method, address)
            told.add((method, re.sub(r"\{\w+\}", "{}", path.partition("?")[0])))
    routes = desk_endpoints(desk.session).routes
    there = {
        (method, re.sub(r"\{[^}]*\}", "{}", route.path))
        for route in routes
        if isinstance(route, Route) and not route.path.startswith(("/static/", "/leaflet/"))
        for method in route.methods or ()
        if method != "HEAD" and route.path != "/"
    }
    assert told == there

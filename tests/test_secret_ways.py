"""No key, however given, on any screen or in any file of the whole job: every way by every command by every file.

One brief has a layer for each way to give a key, and its server repeats the keys in every form. What is looked for is
made in `tests.secret_ways`, not by the code that scrubs.
"""

from __future__ import annotations

import asyncio
import io
import json
import os
import re
import stat
import tomllib
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import httpx
import keyring
import pytest
from typer.main import get_command

from packer.cli.app import app
from packer.desk.server import DeskServer
from packer.planning.brief import Brief
from packer.planning.offers import apply_offers, cached_offers
from packer.planning.plan import plan
from packer.sources import key_sources
from packer.sources.allowed_commands import allow_command
from packer.sources.key_sources import give_key
from packer.view.board import Board
from packer.view.endpoints import endpoints
from tests.fakes import MemoryKeyring
from tests.secret_ways import ENVIRONMENT, RING, WAYS, EchoServer, Way, brief_text, files_below, hits
from tests.test_desk_server import Page
from tests.tile_server import TileServer, answer

EVERY = [secret for way in WAYS for secret in way.secrets]
UNSEEN = [secret for way in WAYS for secret in way.unseen]
OFFERED = [way for way in WAYS if way.issued]


@pytest.fixture(autouse=True)
def environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name, value in ENVIRONMENT.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    for way in WAYS:
        for command in re.findall(r"^key-command = .*", way.keys, re.MULTILINE):
            allow_command(tomllib.loads(command)["key-command"])
    monkeypatch.setattr(key_sources, "_given", {})
    ring = MemoryKeyring()
    ring.kept = {("lastbar", name): value for name, value in RING.items()}
    monkeypatch.setattr(keyring, "get_password", ring.get_password)


@pytest.fixture
def server() -> Iterator[EchoServer]:
    with EchoServer() as running:
        yield running


COMMAND = get_command(app)  # to make it anew for each run takes as long as many a command


def invoke(*words: object) -> tuple[int, str]:
    """A command in this process: its exit code, and what it says on both streams."""
    said = io.StringIO()
    with redirect_stdout(said), redirect_stderr(said), pytest.raises(SystemExit) as end:
        COMMAND.main([*map(str, words)], prog_name="lastbar")
    return int(end.value.code or 0), said.getvalue()


def run(*words: object, codes: tuple[int, ...] = (0,)) -> str:
    """A command in this process; what it says, on both streams. Nothing of it may hold a key."""
    code, said = invoke(*words)
    told = f"{' '.join(map(str, words))}: {said}"
    assert code in codes, told
    assert hits(str(words[0]), told.encode(), EVERY) == []
    return said


def check_files(folder: Path) -> int:
    """Nothing in any file below holds a key, but that the planner's own brief has what stands in it in full."""
    found, files = [], files_below(folder)
    for path in files:
        own = path == folder / "brief.toml" or ".versions" in path.parts
        found += hits(str(path), path.read_bytes() + path.name.encode(), UNSEEN if own else EVERY)
    assert found == []
    return len(files)


def test_the_whole_job_shows_and_keeps_no_key(tmp_path: Path, server: EchoServer) -> None:
    home = tmp_path / "trip"
    home.mkdir()
    brief = home / "brief.toml"
    brief.write_text(brief_text(server.host, deepest=3), encoding="utf-8")
    run("plan", brief)
    run("split", brief, "--parts", "2", "--to", home / "parts", "--json")
    run("fetch", brief)
    run("fetch", brief, "--refresh-older-than", "0s", "--json")
    for command in ("plan", "status", "verify"):
        run(command, brief, "--json")
    run("plan", brief, "--fit", "1h", "--speed", "3Mbit", codes=(0, 1))
    run("plan", brief, "--list")
    run("status", brief)
    run("verify", brief, "--quick", codes=(0, 1))
    few = home / "few.toml"  # what takes long, for some of the layers
    few.write_text(without_full_keys(server.host, ("vars", "uservar", "told")), encoding="utf-8")
    run("verify", few, "--full", "--report", home / "report", "--json", codes=(0, 1))
    run("plan", few, "--measure", "--json")
    run("survey", few, "--samples", "1", "--sheets", home / "sheets", "--apply", codes=(0, 1))
    run("compare", brief)
    for kind in ("mbtiles", "gpkg", "folder"):
        run("handover", brief, "--to", home / f"card-{kind}", "--as", kind, "--json")
        run("inspect", home / f"card-{kind}" / "north", "--against", brief, codes=(0, 1, 2))
    part = home / "parts" / "part-1-of-2" / "brief.toml"
    run("plan", part, "--json")
    run("merge", home / "joined", home / "packs", "--json")
    run("take-in", brief, "path", home / "packs" / "query.mbtiles", "--yes", "--json", codes=(0, 1))
    smaller = home / "smaller.toml"
    smaller.write_text(brief_text("tiles.example.org", [WAYS[5]], deepest=1), encoding="utf-8")
    run("compare", brief, smaller, "--json", "--debug", codes=(0, 2))
    run("prune", smaller, "--store", home / "packs", "--json", codes=(0, 1, 2))
    run("new", home / "other")
    look_at_the_map(brief)
    assert check_files(home) > 80
    assert check_files(tmp_path / "state") > 0


def without_full_keys(host: str, names: tuple[str, ...]) -> str:
    """A brief of layers that hold no key in full, so that its file may hold none."""
    return brief_text(host, [way for way in WAYS if way.name in names], deepest=3)


def look_at_the_map(path: Path) -> None:
    """Every address of the view."""
    brief = Brief.read(path)
    brief = apply_offers(brief, cached_offers(brief, brief.store_folder))
    addresses = [
        "/",
        "/board.json",
        "/route.geojson",
        "/areas.geojson",
        "/health",
    ]
    addresses += [f"/tilejson/{way.name}" for way in WAYS] + [f"/coverage/{way.name}.geojson" for way in WAYS]

    async def look() -> None:
        served = httpx.ASGITransport(endpoints(Board(brief, plan(brief), None)))
        async with httpx.AsyncClient(transport=served, base_url="http://localhost") as page:
            for address in addresses:
                answer = await page.get(address)
                assert answer.status_code == 200, address
                headers = repr(answer.headers.multi_items()).encode()
                assert hits(address, answer.content + headers, EVERY) == []

    asyncio.run(look())


@pytest.mark.parametrize("mode", ["refused", "moved", "page", "broken", "disallowed"])
def test_no_error_repeats_a_key(tmp_path: Path, server: EchoServer, mode: str) -> None:
    brief = tmp_path / "brief.toml"
    ways = [way for way in WAYS if way.name in ("path", "vars", "user", "told")]
    brief.write_text(brief_text(server.host, ways, deepest=2), encoding="utf-8")
    run("plan", brief)
    server.mode = mode
    codes, limits = (1, 3, 4), ("--give-up-after", "1s", "--for", "1s")
    told = run("fetch", brief, *limits, "--debug", codes=codes)
    other = ("--transport", "httpx") if mode in ("refused", "moved") else ()
    run("fetch", brief, *limits, *other, "--json", codes=codes)
    run("status", brief, "--json", codes=(0, 1))
    assert check_files(tmp_path) > 2
    if mode == "disallowed":
        assert "127.0.0.1" in told
        assert "/path/***/token/***/***/0/0/0.png" in told


def test_no_trouble_with_a_description_repeats_a_key(tmp_path: Path, server: EchoServer) -> None:
    brief = tmp_path / "brief.toml"
    server.described = False
    for way in OFFERED:
        brief.write_text(brief_text(server.host, [way], deepest=2), encoding="utf-8")
        run("plan", brief, "--debug", codes=(1,))
        run("fetch", brief, "--json", codes=(1,))
    server.described = True
    brief.write_text(brief_text(server.host, OFFERED, deepest=2), encoding="utf-8")
    run("fetch", brief)
    server.described = False
    run("fetch", brief, "--debug", codes=(0, 1))
    run("fetch", brief, "--json", codes=(0, 1))
    check_files(tmp_path)


def test_an_unset_variable_and_a_broken_brief_repeat_no_key(
    tmp_path: Path, server: EchoServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = tmp_path / "brief.toml"
    text = brief_text(server.host, deepest=2)
    for wrong in ("[[areas]", 'colour = "red"', "zooms = 9", "headers = 3"):
        brief.write_text(text.replace('[[areas]]\nname = "camp"', f'{wrong}\n[[areas]]\nname = "camp"', 1))
        run("plan", brief, "--json", "--debug", codes=(2,))
    brief.write_text(text)
    for name in ENVIRONMENT:
        monkeypatch.delenv(name)
        assert name in run("fetch", brief, "--debug", codes=(2,))
        monkeypatch.setenv(name, ENVIRONMENT[name])


def test_an_unexpected_error_is_traced_without_a_key(
    tmp_path: Path, server: EchoServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = tmp_path / "brief.toml"
    brief.write_text(brief_text(server.host, deepest=2))
    said = " ".join([*EVERY[:-1], f"http://u:w@h.example/{WAYS[1].secrets[0]}/1?x=y"])

    def fail(*_: object) -> None:
        raise RuntimeError(said)

    monkeypatch.setattr("packer.cli.show_status.run", fail)
    known = [secret for way in WAYS for secret in way.given]
    for secret in known:
        give_key("ONE", secret)  # as a command or the keyring does, by then
    _, told = invoke("status", brief, "--debug")
    assert "RuntimeError" in told
    assert "http://h.example/***/1?x=***" in told
    assert hits("status", told.encode(), known) == []


def test_a_part_has_variables_where_the_brief_has_keys_and_fetches_with_them(
    tmp_path: Path, server: EchoServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    ways = [way for way in WAYS if way.in_full and not way.issued]
    brief = tmp_path / "brief.toml"
    brief.write_text(brief_text(server.host, ways, deepest=3), encoding="utf-8")
    brief.chmod(0o600)
    run("fetch", brief)
    split = (
        "split",
        brief,
        "--to",
        tmp_path / "parts",
        "--store",
        tmp_path / "none",
    )  # so that all is missing
    told = json.loads(run(*split, "--json"))
    words = run(*split)
    assert {one["layer"] for one in told["keys_left_out"]} == {way.name for way in ways}
    assert all(f"export {name}=..." in words for name in told["variables"])
    part = tmp_path / "parts" / "part-1-of-2" / "brief.toml"
    assert hits("part", part.read_bytes(), EVERY) == []
    if os.name != "nt":
        assert stat.S_IMODE(part.stat().st_mode) == 0o600
    assert told["variables"][0] in run("fetch", part, codes=(2,))
    for name, value in values_of(
        [n for n in told["variables"] if n not in ENVIRONMENT], part.read_text(), brief.read_text()
    ).items():
        monkeypatch.setenv(name, value)
    run("fetch", part)
    run("merge", tmp_path / "packs", part.parent / "packs")  # they have the same sources
    check_files(tmp_path)


def test_a_part_has_no_program_to_run(tmp_path: Path, server: EchoServer) -> None:
    brief = tmp_path / "brief.toml"
    ways = [way for way in WAYS if way.name == "command"]
    brief.write_text(brief_text(server.host, ways, deepest=2), encoding="utf-8")
    run("split", brief, "--to", tmp_path / "parts")
    part = tmp_path / "parts" / "part-1-of-2" / "brief.toml"
    assert "key-command" not in part.read_text()
    assert "COMMAND_VAR" in run("fetch", part, codes=(2,))


def test_a_key_is_kept_in_the_keyring_and_forgotten_without_being_shown(
    tmp_path: Path, server: EchoServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    ring = MemoryKeyring()
    for name in ("get_password", "set_password", "delete_password"):
        monkeypatch.setattr(keyring, name, getattr(ring, name))
    brief = tmp_path / "brief.toml"
    ways = [way for way in WAYS if way.name == "ring"]
    brief.write_text(brief_text(server.host, ways, deepest=2), encoding="utf-8")
    assert "lastbar key set RING_VAR" in run("fetch", brief, codes=(2,))
    assert "lastbar key set RING_VAR" in run("plan", brief)
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{RING['RING_VAR']}\n"))
    run("key", "set", "RING_VAR")
    assert ring.kept == {("lastbar", "RING_VAR"): RING["RING_VAR"]}
    run("fetch", brief)
    run("key", "forget", "RING_VAR")
    assert "no key" in run("key", "forget", "RING_VAR")
    run("key", "set", "RING-VAR", codes=(2,))
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    run("key", "set", "RING_VAR", codes=(2,))
    assert ring.kept == {}
    check_files(tmp_path)


def test_the_desk_takes_a_key_and_keeps_it_out_of_every_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ring = MemoryKeyring()
    monkeypatch.setattr(key_sources, "_given", {})
    for name in ("get_password", "set_password", "delete_password"):
        monkeypatch.setattr(keyring, name, getattr(ring, name))
    brief, old, new = tmp_path / "brief.toml", "og-Sassafras-41", "ng-Buckthorn-87"

    monkeypatch.setenv("DESK_VAR", old)
    way = Way("desk", 'url = "http://{host}/survey/{z}/{x}/{y}.png?k=${DESK_VAR}"', (), (old, new))
    seen: list[str] = []
    with TileServer() as tiles:
        count = 0

        def ending(path: str) -> bytes | None:
            nonlocal count
            count += 1
            return (
                None if count < 12 or f"k={new}" in path or "robots" in path else answer("401 Unauthorized")
            )

        tiles.fault = ending
        brief.write_text(brief_text(f"127.0.0.1:{tiles.port}", [way], deepest=16), encoding="utf-8")
        with DeskServer(tmp_path) as desk, Page(desk) as page:
            seen.append(json.dumps(page.get("/api/key")))
            page.post("/api/jobs/fetch", {})
            told = waiting(page)
            assert told["pause"]["kind"] == "key"
            assert told["pause"]["where"] == "DESK_VAR"
            seen.append(json.dumps([told, page.get("/api/state"), page.get("/api/log")]))
            page.post("/api/key", {"name": "not a name", "value": new}, 400)
            page.post("/api/key", {"name": "DESK_VAR", "value": "two\nlines"}, 400)
            seen.append(json.dumps(page.post("/api/key", {"name": "DESK_VAR", "value": new, "keep": True})))
            ended = page.ended("fetch")
            assert ended["result"]["complete"], ended
            refused = page.change(400, do="set-layer", name="desk", values={"key-command": ["true"]})
            seen.append(json.dumps([ended, refused, page.get("/api/state"), page.get("/api/log")]))
    assert ring.kept == {("lastbar", "DESK_VAR"): new}
    assert hits("desk", "\n".join(seen).encode(), (old, new)) == []
    for path in files_below(tmp_path):
        assert hits(str(path), path.read_bytes(), (old, new)) == []


def waiting(page: Page) -> Any:
    """What the desk tells of its one layer once that waits."""
    with page.http.stream("GET", "/api/events", timeout=60) as events:
        for line in events.iter_lines():
            if line.startswith("data:") and '"kind":"fetch"' in line:
                [layer] = json.loads(line[5:])["progress"].get("layers", {"": {"pause": None}}).values()
                if layer["pause"]:
                    return layer
    raise AssertionError("the events ended")


def values_of(names: list[str], part: str, brief: str) -> dict[str, str]:
    """What the planner tells the other person: what stands in the brief where the part has these variables."""
    values: dict[str, str] = {}
    for line in part.splitlines():
        held = [name for name in names if f"${{{name}}}" in line]
        pattern = re.escape(line)
        for name in held:
            pattern = pattern.replace(re.escape(f"${{{name}}}"), f"(?P<{name}>.+?)", 1)
        if held and (found := re.search(f"^{pattern}$", brief, re.MULTILINE)):
            values |= found.groupdict()
    return values


def test_the_desk_tells_no_key(tmp_path: Path, server: EchoServer) -> None:
    brief = tmp_path / "brief.toml"
    ways = [way for way in WAYS if way.name in ("path", "header", "vars", "told")]
    brief.write_text(brief_text(server.host, ways, deepest=2), encoding="utf-8")
    brief.chmod(0o600)
    run("fetch", brief)
    seen: list[str] = []
    with DeskServer(tmp_path) as desk, Page(desk) as page:
        seen += [json.dumps(page.get(f"/api/{name}")) for name in ("state", "figures", "shapes", "profile")]
        seen.append(json.dumps(page.get("/api/collection")))
        seen.append(json.dumps(page.get("/board.json")))
        seen.append(json.dumps(page.change(do="set-brief", values={"title": "Other"})))
        [version, *_] = page.get("/api/versions")["versions"]
        seen.append(page.get(f"/api/versions/{version}")["text"])
        assert "http://127.0.0.1" in seen[-1]
        brief.write_text(brief.read_text().replace("Other", "Elsewhere"))
        elsewhere = page.change(409, do="set-brief", values={"title": "Mine"})
        assert "Elsewhere" in elsewhere["theirs"]
        seen.append(json.dumps(elsewhere))
        seen.append(json.dumps(page.post("/api/keep-ours", {})))
        server.mode = "refused"
        for way in ways[:3]:
            answer = page.http.get(f"/api/look/{way.name}/9/{273}/{180}")
            seen.append(
                f"{answer.headers.multi_items()}{answer.text if 'json' in str(answer.headers) else ''}"
            )
        seen.append(
            page.http.post(
                "/api/try-layer",
                json={"address": f"http://{server.host}/a/{EVERY[3]}/{{z}}/{{x}}/{{y}}"},
                headers={"Origin": page.origin},
            ).text
        )
        page.post("/api/jobs/verify", {})
        seen.append(json.dumps(page.ended("verify")))
        seen.append(page.http.get("/api/report").text)
        page.post("/api/jobs/fetch", {})
        seen.append(json.dumps(page.ended("fetch")))
    assert hits("desk", "\n".join(seen).encode(), EVERY) == []
    check_files(tmp_path)
    for path in (brief, *files_below(tmp_path / ".versions")):
        assert os.name == "nt" or stat.S_IMODE(path.stat().st_mode) == 0o600

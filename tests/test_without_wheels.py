"""Where the fast HTTP client or the fast JPEG decoder has no wheel: the same work, done by httpx and Pillow."""

from __future__ import annotations

import asyncio
import io
import json
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from PIL import Image

from packer.content.payload import is_truncated
from packer.errors import InputError
from packer.fetching.reports import Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import TransportName, open_transport, why_no_pyreqwest
from packer.fetching.transports.httpx_transport import HttpxTransport
from packer.geometry.tileset import Tile
from packer.planning.plan import plan
from tests.conftest import BriefMaker
from tests.fakes import ScriptedTransport, VirtualClock, tile_answer

PROJECT = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text(encoding="utf-8"))[
    "project"
]
URL = "https://tiles.example.org/survey/{z}/{x}/{y}.png"


@pytest.fixture
def without_pyreqwest(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    # An entry of None makes the import fail (Python reference, section 5.3.1, "The module cache").
    monkeypatch.setitem(sys.modules, "pyreqwest.client", None)
    why_no_pyreqwest.cache_clear()
    yield
    why_no_pyreqwest.cache_clear()


def opened(kind: TransportName | None) -> str:
    async def go() -> str:
        transport = open_transport(kind, connections=1, user_agent="test")
        await transport.aclose()
        return type(transport).__name__

    return asyncio.run(go())


def test_the_faster_transport_is_taken_where_it_can_be_loaded() -> None:
    assert opened(None) == opened("pyreqwest") == "PyreqwestTransport"
    assert opened("httpx") == HttpxTransport.__name__


@pytest.mark.usefixtures("without_pyreqwest")
def test_httpx_is_taken_where_pyreqwest_cannot_be_loaded() -> None:
    assert opened(None) == opened("httpx") == HttpxTransport.__name__


@pytest.mark.usefixtures("without_pyreqwest")
def test_asking_for_pyreqwest_where_it_cannot_be_loaded_is_refused_with_what_to_do() -> None:
    with pytest.raises(
        InputError, match=r"pyreqwest cannot be loaded on this system: .*Leave --transport out"
    ):
        opened("pyreqwest")


def logged(brief_for: BriefMaker, transport: TransportName | None) -> list[dict[str, Any]]:
    """The events "transport" in the log of one complete fetch."""
    brief = brief_for(
        URL,
        area="box = [12.30, 47.00, 12.31, 47.01]\ndeepest = 13",
        overview='overview = false\ncontact = "maps@example.org"',
    )

    def script(tile: Tile, _before: int, _now: float) -> Any:
        return tile_answer(tile)

    async def go() -> bool:
        async with VirtualClock() as clock:
            options, scripted = Options(log=True, transport=transport), ScriptedTransport(clock, script)
            report = await run_fetch(brief, plan(brief), options, clock=clock, make_transport=scripted)
        return report.complete

    assert asyncio.run(go())
    (log,) = brief.store_folder.glob("*.jsonl")
    lines = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    return [line for line in lines if line["event"] == "transport"]


@pytest.mark.usefixtures("without_pyreqwest")
def test_a_fetch_without_the_faster_transport_says_so_in_one_line_of_the_log(brief_for: BriefMaker) -> None:
    (line,) = logged(brief_for, None)
    assert line["used"] == "httpx"
    assert line["reason"].startswith("pyreqwest cannot be loaded: ")


@pytest.mark.usefixtures("without_pyreqwest")
def test_a_fetch_that_was_told_to_use_httpx_says_nothing_of_it(brief_for: BriefMaker) -> None:
    assert logged(brief_for, "httpx") == []


def test_a_fetch_with_the_faster_transport_says_nothing_of_it(brief_for: BriefMaker) -> None:
    assert logged(brief_for, None) == []


def jpeg(**options: Any) -> bytes:
    out = io.BytesIO()
    noise = Image.effect_noise((256, 256), 60).convert("RGB")
    noise.save(out, "JPEG", **options)
    return out.getvalue()


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 0, "quality": 95}], ids=str)
def test_without_simplejpeg_a_whole_jpeg_and_a_cut_one_are_told_apart_as_with_it(
    options: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = jpeg(**options)
    # Cut inside the scan, and closed with the end mark (ITU-T T.81, B.1.1.3: EOI is FF D9).
    bodies = [whole, *(whole[: len(whole) * part // 10] + b"\xff\xd9" for part in (5, 7, 9))]
    with_it = [is_truncated(body) for body in bodies]
    monkeypatch.setitem(sys.modules, "simplejpeg", None)
    assert [is_truncated(body) for body in bodies] == with_it == [False, True, True, True]


@pytest.mark.parametrize(
    ("system", "asked_for"),
    [
        ({"platform_machine": "x86_64", "sys_platform": "linux"}, {"pyreqwest", "simplejpeg", "uvloop"}),
        ({"platform_machine": "arm64", "sys_platform": "darwin"}, {"pyreqwest", "simplejpeg", "uvloop"}),
        ({"platform_machine": "AMD64", "sys_platform": "win32"}, {"pyreqwest", "simplejpeg"}),
        ({"platform_machine": "riscv64", "sys_platform": "linux"}, set()),
        ({"platform_machine": "armv7l", "sys_platform": "linux"}, set()),
        ({"python_version": "3.16", "python_full_version": "3.16.0", "platform_machine": "x86_64"}, set()),
        ({"implementation_name": "pypy", "platform_machine": "x86_64"}, set()),
    ],
    ids=lambda value: "-".join(value.values()) if isinstance(value, dict) else "",
)
def test_what_only_makes_it_faster_is_asked_for_where_there_are_wheels(
    system: dict[str, str], asked_for: set[str]
) -> None:
    here = {"python_version": "3.13", "python_full_version": "3.13.0", "implementation_name": "cpython"}
    wanted = [Requirement(line) for line in PROJECT["dependencies"]]
    found = {w.name for w in wanted if w.marker is not None and w.marker.evaluate(here | system)}
    assert found == asked_for
    assert {"httpx", "pillow"} <= {w.name for w in wanted if w.marker is None}


def test_the_extra_fast_names_the_same_releases_for_every_processor() -> None:
    fast = {w.name: str(w.specifier) for w in map(Requirement, PROJECT["optional-dependencies"]["fast"])}
    marked = {w.name: str(w.specifier) for w in map(Requirement, PROJECT["dependencies"]) if w.marker}
    assert fast == marked

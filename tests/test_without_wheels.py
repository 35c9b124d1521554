"""Where a package that can be done without has no wheel: the same work by httpx, Pillow and asyncio, and a sentence
where a file needs it."""

from __future__ import annotations

import asyncio
import io
import json
import random
import shutil
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from PIL import Image

from packer.content.payload import is_truncated
from packer.errors import BriefError, InputError
from packer.fetching.reports import Options
from packer.fetching.run import fast_loop, run_fetch
from packer.fetching.transports import TransportName, open_transport, why_no_pyreqwest
from packer.fetching.transports.httpx_transport import HttpxTransport
from packer.geometry.tileset import Tile
from packer.planning.plan import plan
from tests.conftest import BriefMaker
from tests.fakes import ScriptedTransport, VirtualClock, tile_answer
from tests.shape_reading import area_of, lines_of, read_as

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
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
    noise = Image.frombytes("RGB", (256, 256), random.Random(7).randbytes(3 * 256 * 256))
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


SHAPES = {
    "course.gpx": (
        "line",
        '<gpx version="1.1"><trk><trkseg><trkpt lat="47" lon="12"/><trkpt lat="47.1" lon="12"/></trkseg></trk></gpx>',
    ),
    "course.kml": (
        "line",
        "<kml><Placemark><LineString><coordinates>12,47 12,47.1</coordinates></LineString></Placemark></kml>",
    ),
    "sectors.geojson": (
        "polygon",
        '{"type": "Polygon", "coordinates": [[[12, 47], [12.1, 47], [12.1, 47.1], [12, 47]]]}',
    ),
}


@pytest.mark.parametrize("name", SHAPES)
def test_without_pyogrio_the_usual_shape_files_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    for module in ("pyogrio", "pyogrio.raw"):
        monkeypatch.setitem(sys.modules, module, None)
    kind, text = SHAPES[name]
    shape, _ = read_as(tmp_path, kind, name, text)
    assert lines_of(shape) == [[[12.0, 47.0], [12.0, 47.1]]] if kind == "line" else area_of(shape) > 0.004


def test_without_pyogrio_a_shapefile_is_refused_with_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(ROOT / "fixtures" / "shapefile" / "REL.zip", tmp_path)
    for module in ("pyogrio", "pyogrio.raw"):
        monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(
        BriefError, match=r'Install it by: pip install "lastbar\[files\]"\. Or save the file as GeoJSON'
    ):
        read_as(tmp_path, "line", "REL.zip")


def test_without_uvloop_the_standard_loop_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "uvloop", None)
    assert fast_loop() is None


def test_what_may_be_left_out_is_bound_to_the_same_releases_wherever_it_is_named() -> None:
    """Which of it is asked for on which system is held by tests/test_wheels.py."""
    named: dict[str, set[str]] = {}
    extras = PROJECT["optional-dependencies"]
    for line in (
        *PROJECT["dependencies"],
        *(line for name in ("full", "fast", "files") for line in extras[name]),
    ):
        named.setdefault(Requirement(line).name, set()).add(str(Requirement(line).specifier))
    assert all(len(named[name]) == 1 for name in ("pyogrio", "pyreqwest", "simplejpeg", "uvloop"))


@pytest.mark.parametrize(
    "system",
    [
        {"platform_machine": "riscv64", "sys_platform": "linux"},
        {"platform_machine": "armv7l", "sys_platform": "linux"},
        {"python_version": "3.16", "python_full_version": "3.16.0", "platform_machine": "x86_64"},
        {"implementation_name": "pypy", "platform_machine": "x86_64"},
    ],
    ids=lambda value: "-".join(value.values()),
)
def test_where_there_are_no_wheels_nothing_is_asked_for_that_it_can_do_without(
    system: dict[str, str],
) -> None:
    here = {"python_version": "3.13", "python_full_version": "3.13.0", "implementation_name": "cpython"}
    wanted = [Requirement(line) for line in PROJECT["dependencies"]]
    found = {w.name for w in wanted if w.marker is not None and w.marker.evaluate(here | system)}
    assert found == {"pyproj"}
    assert {"httpx", "pillow"} <= {w.name for w in wanted if w.marker is None}

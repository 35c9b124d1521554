"""The Python that README.md and docs/api.md show runs as it stands, in a folder with a brief and a server."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.tile_server import TileServer

ROOT = Path(__file__).parent.parent

BRIEF = """
title = "Documents"
overview = false
[layers.aerial]
url = "{url}"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [0, 12]
[[areas]]
name = "ground"
box = [12.30, 47.00, 12.34, 47.03]
deepest = 12
"""


@pytest.fixture
def trip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The current folder has trip/brief.toml in it, whose server answers."""
    with TileServer() as server:
        (tmp_path / "trip").mkdir()
        (tmp_path / "trip" / "brief.toml").write_text(BRIEF.format(url=server.url), encoding="utf-8")
        monkeypatch.chdir(tmp_path)
        yield


@pytest.mark.usefixtures("trip")
@pytest.mark.parametrize("name", ["README.md", "docs/api.md"])
def test_the_python_in_a_document_runs_as_it_stands(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert blocks
    names: dict[str, object] = {"__name__": "document"}
    for block in blocks:
        line = text[: text.index(block)].count("\n")
        exec(compile("\n" * line + block, name, "exec"), names)
    printed = capsys.readouterr().out
    # Both fetch and verify at their end or before it.
    assert "True" in printed
    assert "False" not in printed


def test_continuous_integration_runs_the_tests_and_tries_the_packaged_folder() -> None:
    ran = (ROOT / ".ci" / "run").read_text().splitlines()
    assert ran[0] == "#!/usr/bin/env bash"
    assert "LASTBAR_TESTS_INSIST=1 scripts/test" in ran
    assert "scripts/check-package" in ran

"""`lastbar demo`: how it ends, with its four steps left out; those are tested by themselves."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest

from packer import Brief
from packer.cli import run_demo, run_desk
from tests.fakes import PLAIN


@pytest.fixture
def shortened(monkeypatch: pytest.MonkeyPatch) -> None:
    """The four steps are left out, and packs that they would have made are not weighed."""
    monkeypatch.setattr(run_demo, "_whole_job", lambda *_: 0)
    monkeypatch.setattr(run_demo, "_where", lambda *_: None)


@pytest.mark.usefixtures("shortened")
def test_the_demo_ends_by_saying_how_to_open_it_on_the_desk(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object) -> int:
        raise AssertionError("the desk was opened unasked")

    monkeypatch.setattr(run_desk, "run", never)
    assert run_demo.run(tmp_path / "demo") == 0
    said = capsys.readouterr().out
    assert f"lastbar desk {tmp_path / 'demo'}" in said
    assert "lastbar demo --desk" in said


@pytest.mark.usefixtures("shortened")
@pytest.mark.parametrize("browser", [True, False])
def test_the_desk_of_the_demo_opens_while_the_practice_server_still_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, browser: bool
) -> None:
    opened: list[tuple[Path, bool]] = []

    def desk(path: Path, store: Path | None, port: int, with_browser: bool) -> int:
        url = Brief.read(path).layers["aerial"].url
        assert httpx.get(url.format(z=0, x=0, y=0), verify=PLAIN).status_code == 200
        opened.append((path, with_browser))
        return 0

    monkeypatch.setattr(run_desk, "run", desk)
    assert run_demo.run(tmp_path / "demo", True, browser) == 0
    assert opened == [(tmp_path / "demo" / "brief.toml", browser)]

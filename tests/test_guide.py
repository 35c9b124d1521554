"""What the guide says is there: commands and options, words of the page, pictures, links, and the size of a pixel."""

from __future__ import annotations

import math
import re
import shlex
from pathlib import Path
from typing import cast

import click
import pytest
import typer.main
from PIL import Image

from packer.cli.app import app

ROOT = Path(__file__).parent.parent
GUIDE = ROOT / "docs" / "guide"
PAGES = sorted(GUIDE.glob("*.md"))
PICTURES = sorted((GUIDE / "pictures").glob("*.png"))
DESK = ROOT / "packer" / "desk"
_page = pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)


def commands() -> dict[str, click.Command]:
    group = cast(click.Group, typer.main.get_command(app))
    return {name: one for name, one in group.commands.items() if not one.hidden}


def shown(text: str) -> list[list[str]]:
    """The words of every command that a page shows, in a block or in a sentence."""
    lines = [
        line.strip().partition("  #")[0] for line in text.splitlines() if line.startswith("    lastbar ")
    ]
    lines += re.findall(r"`(lastbar [^`]+)`", text)
    return [shlex.split(line) for line in lines]


@_page
def test_every_command_and_option_in_the_guide_exists(page: Path) -> None:
    known = commands()
    for _, name, *rest in shown(page.read_text("utf-8")):
        assert name in known, (page.name, name)
        options = {option for one in known[name].params for option in one.opts}
        assert {word for word in rest if word.startswith("--")} <= options, (page.name, name, rest)


def test_the_guide_shows_the_commands_of_every_task() -> None:
    named = {words[1] for page in PAGES for words in shown(page.read_text("utf-8"))}
    assert {
        "desk",
        "demo",
        "new",
        "plan",
        "survey",
        "fetch",
        "status",
        "verify",
        "handover",
        "inspect",
    } <= named
    assert {"view", "compare", "prune", "split", "merge"} <= named


@pytest.mark.parametrize("page", [p for p in PAGES if p.stem != "words"], ids=lambda page: page.stem)
def test_every_word_in_bold_stands_on_the_page_of_the_desk(page: Path) -> None:
    files = (*DESK.glob("*.py"), *DESK.glob("static/*.js"), *DESK.glob("static/*.html"))
    desk = "\n".join(path.read_text("utf-8") for path in files)
    bold = re.findall(r"\*\*(.+?)\*\*", page.read_text("utf-8"), re.DOTALL)
    assert [word for word in bold if " ".join(word.split()) not in desk] == []


@_page
def test_every_link_and_picture_of_the_guide_leads_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text("utf-8")):
        assert (page.parent / target).is_file(), (page.name, target)


def test_every_picture_is_shown_in_a_document() -> None:
    texts = "".join(page.read_text("utf-8") for page in (*PAGES, ROOT / "README.md"))
    assert [picture.name for picture in PICTURES if picture.name not in texts] == []


@pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.stem)
def test_every_picture_is_as_wide_as_the_page_and_light(picture: Path) -> None:
    assert picture.stat().st_size <= 150_000
    with Image.open(picture) as shown:
        assert shown.width == 1280


def test_every_page_says_within_its_first_lines_what_it_is_about_and_is_short() -> None:
    assert {page.stem for page in PAGES} >= {
        "evening",
        "camp",
        "morning",
        "change",
        "missing",
        "words",
        "zooms",
    }
    for page in PAGES:
        lines = page.read_text("utf-8").splitlines()
        assert lines[0].startswith("# ")
        assert len(lines) <= 110, page.name


def test_the_size_of_a_pixel_in_the_guide_is_that_of_the_published_grid() -> None:
    """OGC 17-083r4, annex D.1 (WebMercatorQuad): scale denominators, at 0.28 mm a pixel, on the equator."""
    rows = re.findall(r"^\| (\d+) \| ([\d.]+) m \|", (GUIDE / "zooms.md").read_text("utf-8"), re.MULTILINE)
    assert len(rows) >= 8
    for zoom, metres in rows:
        cell_m = 559082264.028717 * 0.28e-3 / 2 ** int(zoom) * math.cos(math.radians(47))
        assert float(metres) == pytest.approx(cell_m, rel=0.02)

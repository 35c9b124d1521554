"""Text in lines that fit a screen: folding, shortening, bars."""

from __future__ import annotations

import re
import textwrap

__all__ = ["BLOCKS", "HASHES", "Marks", "marks_for", "percent", "share_bar", "shortened", "wrapped"]

Marks = tuple[str, str]
"""What a bar is drawn with: what is there, and what is not."""
BLOCKS: Marks = ("■", "·")
HASHES: Marks = ("#", ".")  # for a screen that knows ASCII alone

_FIGURE = re.compile(r"(?<=[0-9]) (?=[0-9]+ %|%|[a-zA-Z]{1,3}\b)")


def marks_for(encoding: str | None) -> Marks:
    """Marks that a stream with this encoding can show."""
    return BLOCKS if "utf" in (encoding or "").lower() else HASHES


def wrapped(text: str, width: int, later: str = "  ", first: str = "") -> list[str]:
    """Lines that fit, the later ones indented; a hash or an address is not broken, nor a figure and its unit."""
    kept = _FIGURE.sub("\u00a0", text)  # which textwrap does not take for a space
    lines = textwrap.wrap(
        kept,
        width,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace("\u00a0", " ") for line in lines]


def shortened(name: str, longest: int) -> str:
    """A name in so many columns; one that is cut ends in "..."."""
    return name if len(name) <= longest else name[: longest - 3].rstrip() + "..."


def share_bar(share: float, width: int, marks: Marks = BLOCKS) -> str:
    """A bar for a share from 0 to 1. Only all of it fills the bar, and anything at all shows."""
    filled = int(share * width)
    if 0 < share < 1:
        filled = min(max(filled, 1), width - 1)
    return marks[0] * filled + marks[1] * (width - filled)


def percent(share: float) -> str:
    """Rounded down, so that 100 % is said only of what is complete."""
    return f"{int(share * 100)} %"

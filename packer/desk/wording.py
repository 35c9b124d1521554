"""Sentences of the commands for the page, where a button stands in place of a command. Pure."""

from __future__ import annotations

import re

__all__ = ["on_page"]

_INSTEAD = (
    (re.compile(r"To decode them all as well: --full\."), "A full check decodes them all."),
    (re.compile(r"Without --quick, all are\."), "The other two checks hash them all."),
    (re.compile(r"Look at them: lastbar view\."), "Look at them on the map."),
    (re.compile(r"Fetch first: lastbar fetch .*", re.DOTALL), "Fetch first."),
    (re.compile(r"Fetch them: lastbar fetch .*\nOr hand over"), "Fetch them. Or hand over"),
    (
        re.compile(r"ask it once more \(lastbar fetch .*?\), or lower at-least in the brief"),
        "or lower its floor",
    ),
    (
        re.compile(r"\s*To look: lastbar inspect .*", re.DOTALL),
        " The step Cards names those written or inspected here.",
    ),
    (re.compile(r"with --allow-gaps\b"), "with the box ticked"),
    (re.compile(r"To\s+lay\s+it\s+over\s+them:\s+--over"), "To lay it over them, tick the box."),
    (
        re.compile(r"Ask it while you have a network: lastbar plan .*", re.DOTALL),
        "Ask it while you have a network: the button is in the step Ground.",
    ),
    (re.compile(r"To look at it, and allow it: lastbar key allow"), "Look at it in the step Fetch."),
)


def on_page(sentence: str) -> str:
    """The sentence with the page's own words in place of commands and their options; the facts stay."""
    for command, words in _INSTEAD:
        sentence = command.sub(words, sentence)
    return sentence

"""The errors of a brief, in the planner's words.

A sentence names the layer or area and the key, what was found, and what would be right. What stands in `url`,
`tilejson`, `wmts`, `wms`, `ogc-tiles` and `headers` may hold a key and is never repeated.
"""

from __future__ import annotations

import difflib
import json
import re
import textwrap
from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

__all__ = ["format_errors", "nearest", "quote_value", "syntax"]

_MOST_SHOWN, _MOST_LOOKED_AT = 12, 500
_LONGEST_FOUND = 70
_SECRET = ("url", "tilejson", "wmts", "wms", "ogc-tiles", "headers")
_EXAMPLES = {
    "title": 'title = "Ketterling Basin reconnaissance"',
    "url": 'url = "https://tiles.example.org/aerial/{z}/{x}/{y}.jpg"',
    "attribution": 'attribution = "Example Survey"',
    "permission": 'permission = "Own server", your right to keep these tiles offline, in words',
    "zooms": "zooms = [0, 19], the first and the last zoom that the server offers",
    "layers": "a heading [layers.aerial] for each source of tiles, with its keys below",
    "areas": "a heading [[areas]] for each stretch of ground, with its keys below",
    "name": 'name = "course"',
}
_HOMES = {
    "": "at the top of the brief, above the first heading in brackets",
    "layers": "below a heading [layers.NAME]",
    "areas": "below a heading [[areas]]",
    "overview": "below the heading [overview]",
    "crews": "below a heading [[crews]]",
}
_CURLY = "“”„‟‘’‚‛«»‹›″"
_LONGEST_LOOKED_AT = 500
_LINE = re.compile(r"line (\d{1,7})\b")
_WINDOWS_PATH = re.compile(r'"([A-Za-z]:|\\)\\')  # in quotes, where a backslash has another meaning
_DECIMAL_COMMA = re.compile(r"[=\[,]\s*([-+]?\d{1,9},\d{1,9})(?=\s*(?:$|#|,|\]))")
_SYNTAX = {
    "Invalid value": "the value cannot be read; write text in quotes and numbers without",
    "Cannot overwrite a value": "this key or heading is in the brief twice",
    "Invalid hex value": r'"\" has a special meaning in double quotes; write "/" in paths',
    "Unescaped '\\' in a string": r'"\" has a special meaning in double quotes; write "/" in paths',
}


def syntax(fault: Exception, text: str = "") -> str:
    """The end of the sentence "brief.toml is not valid TOML…" for what the TOML parser raised on a text."""
    if isinstance(fault, RecursionError):
        return ": brackets are nested too deeply"
    if "integer string conversion" in str(fault):  # Python's own limit; the parser names no line
        return ": it has a number with thousands of digits"
    what, _, where = str(fault).partition(" (at ")
    where = where.rstrip(")")
    if slip := _slip(where, text):
        return f" at {where.partition(',')[0]}: {slip}"
    return f"{f' at {where}' if where else ''}: {_SYNTAX.get(what, what[:1].lower() + what[1:])}"


def _slip(where: str, text: str) -> str:
    """What a word processor or a habit put into the line that the parser stumbled over, if it shows."""
    lines = text.rstrip().split("\n")
    number = _LINE.match(where)
    at = int(number[1]) if number else len(lines)  # else it says "end of document"
    line = lines[at - 1] if at <= len(lines) else ""
    if curly := next((c for c in line[:_LONGEST_LOOKED_AT] if c in _CURLY), ""):
        return (
            f'it has {curly}, a typographic quotation mark; write the straight one, ", at both ends of a text'
        )
    if _WINDOWS_PATH.search(line[:_LONGEST_LOOKED_AT]):
        return (
            'in quotes "\\" stands for something else; write the path with "/", such as "C:/maps/trip", or in single '
            "quotes: 'C:\\maps\\trip'"
        )
    if comma := _DECIMAL_COMMA.search(line[:_LONGEST_LOOKED_AT]):
        return (
            f"{comma[1]} has a comma where a decimal point should stand; write {comma[1].replace(',', '.')}"
        )
    return ""


def format_errors(
    faults: Sequence[Any], table: Mapping[str, Any], keys: Mapping[str, Collection[str]]
) -> list[str]:
    """One sentence for each of pydantic's error details, the first dozen of them.

    `table` is the brief as parsed; `keys` are the known keys of "layers", "areas", "overview" and, as "", of
    the top.
    """
    sentences = list(
        dict.fromkeys(_ended(_sentence(fault, table, keys)) for fault in faults[:_MOST_LOOKED_AT])
    )
    more = len(sentences) - _MOST_SHOWN + max(len(faults) - _MOST_LOOKED_AT, 0)
    return sentences if more < 2 else [*sentences[:_MOST_SHOWN], f"There are {more} more errors like these."]


_FOLDED = 100  # columns; a list of names is folded before it fills a screen in one line


def nearest(word: str, known: Collection[str]) -> str:
    """The end of a sentence that has called a word unknown: the known one that it resembles, or all of them."""
    close = difflib.get_close_matches(word[:80], known, n=1, cutoff=0.5)
    if close:
        return f'; did you mean "{close[0]}"?'
    # What only goes with another key, such as wmts-style, is left out.
    first = [name for name in sorted(known) if "-" not in name or name.partition("-")[0] not in known]
    return "\n".join(textwrap.wrap(f"; known names: {', '.join(first)}", _FOLDED, break_on_hyphens=False))


def quote_value(value: object) -> str:
    """A value as a brief would write it, in one short line."""
    match value:
        case str():
            text = json.dumps(value[:_LONGEST_FOUND], ensure_ascii=not value.isprintable())
            return f'{text[:-1]}…"' if len(value) > _LONGEST_FOUND else text
        case bool():
            return "true" if value else "false"
        case int():
            return str(value) if abs(value) < 10**30 else "a number of more than 30 digits"
        case float():
            return repr(value)
        case date() | datetime() | time():
            return value.isoformat()
        case []:
            return "an empty list"
        case list():
            if any(isinstance(each, list | dict) for each in value):
                return "a list of lists or tables"
            text = ", ".join(quote_value(each) for each in value[:6])
            return f"[{text}, …]" if len(value) > 6 else f"[{text}]"
        case _:
            return "a table"


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "?")) else f"{sentence}."


def _sentence(fault: Any, table: Mapping[str, Any], keys: Mapping[str, Collection[str]]) -> str:
    room, place, key = _place(fault["loc"], table)
    kind, value = fault["type"], fault["input"]
    within = f"In {place}, " if place else ""
    if kind == "extra_forbidden":
        return f"{within}the key {quote_value(key)} is not known{_hint(room, key, keys)}"
    if kind == "missing":
        return f"{within}{key} is missing. Write {_EXAMPLES.get(key, key)}"
    if kind == "value_error":
        reason = str(fault["ctx"]["error"])
        if key in _SECRET:
            return f"{within}{key} cannot be used: {reason}"
        if key and not isinstance(value, dict):
            return f"{within}{key} is {quote_value(value)}, but {reason}"
        return f"{within}{reason}" if key in ("", room) else f"{within}{key} cannot be used: {reason}"
    if kind == "model_type" and place:
        return f"{place[:1].upper()}{place[1:]} should be a table {_HOMES[room]}"
    found = "" if key in _SECRET else f" as {quote_value(value)}"
    return f"{within}{key} cannot be used{found}. Write {_EXAMPLES.get(key, 'it as the README shows')}"


def _place(loc: Sequence[int | str], table: Mapping[str, Any]) -> tuple[str, str, str]:
    """The room of the brief, the place in words, and the key; the last two may be empty."""
    first, *rest = loc or ("",)
    if first == "layers" and rest:
        return "layers", f"layer {quote_value(rest[0])}", str(rest[1]) if rest[1:] else ""
    if first == "areas" and rest:
        return "areas", _member(table, "areas", "area", rest[0]), str(rest[1]) if rest[1:] else ""
    if first == "crews" and rest:
        return "crews", _member(table, "crews", "crew", rest[0]), str(rest[1]) if rest[1:] else ""
    if first == "overview" and rest[1:]:  # rest[0] is the tag of the kind of overview
        return "overview", "[overview]", str(rest[1])
    return "", "", str(first)


def _member(table: Mapping[str, Any], key: str, kind: str, place: Any) -> str:
    member = table[key][place]
    name = member.get("name") if isinstance(member, dict) else None
    return (
        f"{kind} {quote_value(name)}"
        if isinstance(name, str) and name.strip()
        else f"{kind} number {place + 1}"
    )


def _hint(room: str, key: str, keys: Mapping[str, Collection[str]]) -> str:
    for home, known in keys.items():
        if key in known:
            return f" there; it belongs {_HOMES[home]}"
    return nearest(key, keys[room])

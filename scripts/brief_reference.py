"""Write docs/brief.md, the reference of every key of the brief, from the model: `python -m scripts.brief_reference`."""

from __future__ import annotations

import json
import re
import textwrap
from pathlib import Path
from typing import Any

from packer.common.atomic_write import write_atomic
from packer.planning.brief_schema import brief_schema

OUTPUT = Path(__file__).parent.parent / "docs" / "brief.md"
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_TABLES = (
    ("Brief", "At the top, above the first heading in brackets", ""),
    (
        "Layer",
        "Below `[layers.NAME]`: a map layer",
        "NAME is the name of the layer and of its pack: up to 64 letters, digits, `-`, `_`, `.` and blanks, a letter "
        "or digit first. Just one of `url`, `tilejson` and `wmts` is there, unless "
        "`from` brings it.",
    ),
    (
        "Area",
        "Below `[[areas]]`: an area",
        "Just one of `line`, `point`, `points`, `box` and `polygon` is there, and just one of `deepest` and `use`.",
    ),
    (
        "Overview",
        "Below `[overview]`: the coarse block around everything",
        "`overview = false` at the top of the brief leaves it out.",
    ),
    ("Crew", "Below `[[crews]]`: a crew", ""),
)
_HEAD = """\
# Every key of the brief

Made by `python -m scripts.brief_reference` from the model that reads the brief; a change belongs there.

A brief is a file in TOML 1.0: `key = value`, text in quotes, numbers without, `#` before a comment. A heading in
brackets begins a table, one in double brackets one of several. Paths are relative to the brief.

Editors that know JSON Schema for TOML name keys, say what they mean and mark what is wrong while you type. Write the
schema beside your briefs once, and name it in each brief's first line:

    lastbar schema > brief.schema.json

    #:schema ./brief.schema.json

The schema knows no rule between two tables, such as that a crew's area exists, and no bounds of a length. `lastbar
plan` checks everything.
"""


def reference() -> str:
    """The whole text of docs/brief.md."""
    schema = brief_schema()
    parts = [_HEAD]
    for name, heading, words in _TABLES:
        table = schema if name == "Brief" else schema["$defs"][name]
        said = textwrap.fill(f"{table['description']} {words}", 118, break_long_words=False)
        parts.append(f"\n## {heading}\n\n{said}\n")
        parts += [_key(key, form) for key, form in table["properties"].items()]
    return "".join(parts)


def _key(key: str, form: dict[str, Any]) -> str:
    words = " ".join(form["description"].split())
    means, without, rest = words.partition("Without it, ")
    said = textwrap.fill(f"**`{key}`** {means.strip()}", 118, break_long_words=False, break_on_hyphens=False)
    lines = [f"\n{said}\n", f"- Write: {form['$comment']}."]
    lines.append(f"- Without it: {rest}" if without else "- Needed.")
    lines += [f"- Example: `{key} = {_toml(one, form)}`" for one in form.get("examples", [])]
    return "\n".join(lines) + "\n"


def _toml(value: Any, form: dict[str, Any]) -> str:
    if isinstance(value, dict):
        pairs = (f"{k if _BARE.fullmatch(k) else json.dumps(k)} = {_toml(v, {})}" for k, v in value.items())
        return f"{{ {', '.join(pairs)} }}"
    return str(value) if form.get("format") == "date" else json.dumps(value, ensure_ascii=False)


if __name__ == "__main__":
    write_atomic(OUTPUT, reference())
    print(OUTPUT)

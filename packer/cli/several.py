"""Commands for several briefs, one after another: each with its own output, and a line for all at the end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from packer.cli.output import documents_kept, echo, echo_wrapped, error_json, print_json, warn
from packer.errors import LastbarError
from packer.planning.brief import Brief

__all__ = ["one_by_one"]


def one_by_one(paths: Sequence[Path], as_json: bool, work: Callable[[Path], int], good: str) -> int:
    """Do `work` for each brief; the greatest of its exit codes. A single brief is as if there were no others.

    A brief whose packs cannot be used does not keep the others from being worked on. With `as_json` there is one
    document, with that of each brief in it; else the last lines say how many are `good`, such as "READY". Raises
    BriefError at the start where one of several cannot be read.
    """
    if len(paths) == 1:
        return work(paths[0])
    titles = [Brief.read(path).title for path in paths]
    codes: list[int] = []
    found: list[dict[str, Any]] = []
    for path, title in zip(paths, titles, strict=True):
        code, document = _one(path, as_json, work)
        codes.append(code)
        found.append({"brief": str(path), "title": title, "exit_code": code, **document})
        if not as_json:
            echo()
    if as_json:
        print_json({"briefs": found})
    else:
        _conclude(titles, codes, good)
    return max(codes)


def _one(path: Path, as_json: bool, work: Callable[[Path], int]) -> tuple[int, dict[str, Any]]:
    try:
        if not as_json:
            return work(path), {}
        with documents_kept() as documents:
            code = work(path)
    except LastbarError as fault:
        warn(f"lastbar: {fault}")
        return fault.exit_code, error_json(str(fault), fault.exit_code)
    return code, documents[0] if documents else {}


def _conclude(titles: Sequence[str], codes: Sequence[int], good: str) -> None:
    done = sum(code == 0 for code in codes)
    echo(f"{done} of {len(codes)} briefs: {good}.")
    if others := [title for title, code in zip(titles, codes, strict=True) if code]:
        echo_wrapped(f"The others: {'; '.join(others)}.")

"""How commands talk: text and one JSON document on stdout, everything else on stderr; errors as sentences."""

from __future__ import annotations

import contextlib
import functools
import json
import os
import sys
import textwrap
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, ParamSpec

import typer

from packer.cli.lines import wrapped
from packer.errors import EXIT_NOT_COMPLETE, EXIT_STORE, LastbarError

__all__ = [
    "command",
    "documents_kept",
    "echo",
    "echo_wrapped",
    "error_json",
    "print_json",
    "table",
    "warn",
]

P = ParamSpec("P")

_WIDTH = 80


def echo(text: str = "") -> None:
    """A line of the command's own result."""
    sys.stdout.write(_plain(text) + "\n")


def echo_wrapped(text: str, later: str = "  ", first: str = "") -> None:
    """A sentence of the result in lines of 80 columns, the later ones indented."""
    for line in wrapped(text, _WIDTH, later, first):
        echo(line)


def _plain(text: str) -> str:
    """Text without what could steer a terminal or not be written: it may come from a pack, a file or its name."""
    return text if text.isprintable() else "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def warn(text: str) -> None:
    """A message beside the result, wrapped to 80 columns."""
    for line in map(_plain, text.splitlines() or [""]):
        sys.stderr.write(
            textwrap.fill(
                line, _WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
            )
            + "\n"
        )
    sys.stderr.flush()


_kept: list[list[dict[str, Any]]] = []


@contextlib.contextmanager
def documents_kept() -> Iterator[list[dict[str, Any]]]:
    """Have JSON documents gathered, to be parts of a larger one, in place of being printed."""
    documents: list[dict[str, Any]] = []
    _kept.append(documents)
    try:
        yield documents
    finally:
        _kept.pop()


def print_json(value: Any) -> None:
    """The one JSON document."""
    if _kept:
        _kept[-1].append(value)
        return
    json.dump(value, sys.stdout, indent=2)
    sys.stdout.write("\n")


def command(function: Callable[P, int | None]) -> Callable[P, None]:
    """Turn a function that returns an exit code into a typer command that reports its errors in sentences."""

    @functools.wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            code = function(*args, **kwargs) or 0
            sys.stdout.flush()
        except LastbarError as fault:
            code = _report(fault, str(fault), fault.exit_code, kwargs)
        except KeyboardInterrupt:
            warn("Stopped. What was stored is kept. To go on, run the same command again.")
            code = EXIT_NOT_COMPLETE
        except BrokenPipeError:
            # The reader of our output has gone, as `head` does: so nobody is left to write to.
            sys.stderr.close()
            code = EXIT_NOT_COMPLETE
        except OSError as fault:  # whatever no room has put into words of its own
            code = _report(fault, _disk_text(fault), EXIT_STORE, kwargs)
        except Exception as fault:  # noqa: BLE001  # the last place that can turn a fault into a sentence
            text = (
                f"An unexpected error stopped this command ({type(fault).__name__}). This is a bug in Lastbar. What "
                "was stored is kept. To see where it happened, run the command again with --debug."
            )
            code = _report(fault, text, EXIT_NOT_COMPLETE, kwargs)
        raise typer.Exit(code)

    return run


def _disk_text(fault: OSError) -> str:
    where = f"{fault.filename} cannot be used" if fault.filename else "The disk refused to take or give bytes"
    return (
        f"{where}: {fault.strerror or fault}. What was stored is kept. Check the disk, and whether you may write "
        "there, then run the same command again."
    )


def error_json(text: str, code: int) -> dict[str, Any]:
    """An error as it stands in a document."""
    return {"error": {"message": text, "exit_code": code}}


def _report(fault: BaseException, text: str, code: int, kwargs: dict[str, Any]) -> int:
    if kwargs.get("debug"):
        sys.stderr.write(_without_secrets("".join(traceback.format_exception(fault)), kwargs.get("brief")))
    if kwargs.get("as_json"):
        print_json(error_json(text, code))
    warn(f"lastbar: {text}")
    return code


def _without_secrets(text: str, brief: object) -> str:
    """A traceback without the keys of the brief at hand: libraries' errors may repeat an address."""
    from packer.planning.brief_keys import secrets_in_text  # only needed here, and slow to load
    from packer.sources.key_sources import known_keys
    from packer.sources.safe_address import shown_within

    for one in brief if isinstance(brief, list) else [brief]:
        if not isinstance(one, Path):
            continue
        with contextlib.suppress(OSError, ValueError):
            path = one / "brief.toml" if one.is_dir() else one
            text = secrets_in_text(path.read_text(encoding="utf-8-sig"), os.environ).scrub(text)
    text = known_keys().scrub(text)
    return shown_within(text)


def table(heads: list[str], rows: list[list[str]], foot: list[str] | None = None) -> None:
    """A plain table: first column to the left, the others to the right."""
    every = [heads, *rows, *([foot] if foot else [])]
    widths = [max(len(row[i]) for row in every) for i in range(len(heads))]

    def line(row: list[str]) -> str:
        cells = [
            c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))
        ]
        return "  " + "  ".join(cells).rstrip()

    echo(line(heads))
    for row in rows:
        echo(line(row))
    if foot:
        echo("  " + "-" * (sum(widths) + 2 * (len(widths) - 1)))
        echo(line(foot))

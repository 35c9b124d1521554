"""Jobs of the desk that are a command, run as a process of its own: taking in what the planner has, sharing a plan.

What the command would ask in a terminal is asked on the page first. Its answer is its own document of JSON.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Any

from packer.common.own_process import own_command
from packer.desk.body import typed_path
from packer.desk.jobs import Reporter, Work
from packer.desk.wording import on_page
from packer.errors import EXIT_NOT_COMPLETE, InputError, LastbarError
from packer.planning.brief import Brief

__all__ = ["CommandFailedError", "split_work", "take_in_work"]

_LONGEST_TEXT = 100_000
_ASKS = re.compile(r"Nobody\s+can\s+be\s+asked\s+here\.[^.]*--yes\.\s*")
_MOST_PARTS = 50
_WIDE = "76"  # columns: the page shows the text as it is


class CommandFailedError(LastbarError):
    """What a command said as it failed, and its exit code."""

    def __init__(self, text: str, exit_code: int) -> None:
        super().__init__(text)
        self.exit_code = exit_code


def take_in_work(brief: Brief, store: Path | None, options: Mapping[str, Any]) -> Work:
    """Take a file into a layer: options `layer`, `path`, `over` and, for a picture, `yes` once it was described.

    A picture without `yes` is only described: the result is then `text`. Raises InputError for options that cannot be
    used. If the process dies: the command goes on to its end.
    """
    layer, path = options.get("layer"), typed_path(options, "path", "Say which file or folder to take in.")
    if not isinstance(layer, str) or layer not in brief.layers:
        raise InputError("Choose the layer that it goes into.")
    flags = [
        *(["--over"] if options.get("over") is True else []),
        *(["--yes", "--json"] if options.get("yes") is True else []),
    ]
    return _work(["take-in", *flags, *_store(store), "--", str(brief.path), str(layer), str(path)])


def split_work(brief: Brief, store: Path | None, options: Mapping[str, Any]) -> Work:
    """Share out what is missing: options `parts`, how many, and `to`, the folder they go into. Raises InputError."""
    parts, to = options.get("parts"), typed_path(options, "to", "Say which folder the parts go to.")
    if not isinstance(parts, int) or isinstance(parts, bool) or not 2 <= parts <= _MOST_PARTS:
        raise InputError(f"Choose 2 to {_MOST_PARTS} parts.")
    return _work(
        ["split", "--parts", str(parts), "--to", str(to), "--json", *_store(store), "--", str(brief.path)]
    )


def _store(store: Path | None) -> list[str]:
    return [] if store is None else ["--store", str(store)]


def _work(words: Sequence[str]) -> Work:
    def work(reporter: Reporter) -> Mapping[str, Any]:
        # Ctrl-C reaches every process of the terminal; when this one ends is for the desk to say.
        own_group: dict[str, Any] = (
            {"creationflags": 0x200} if sys.platform == "win32" else {"start_new_session": True}
        )
        with subprocess.Popen(
            own_command(*words),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
            env={**os.environ, "COLUMNS": _WIDE},
            **own_group,
        ) as process:
            assert process.stdout is not None
            assert process.stderr is not None
            said, over = list[str](), threading.Event()
            helpers = [
                threading.Thread(target=_hear, args=(process.stderr, said, reporter), daemon=True),
                threading.Thread(target=_stop_when_asked, args=(process, reporter, over), daemon=True),
            ]
            for helper in helpers:
                helper.start()
            output = process.stdout.read(_LONGEST_TEXT * 10)
            process.wait()
            over.set()
            for helper in helpers:
                helper.join()
        return _result(output, "".join(said), process.returncode)

    return work


def _hear(errors: IO[str], said: list[str], reporter: Reporter) -> None:
    """Each line of progress, as it comes."""
    for line in errors:
        said.append(line)
        reporter.progress({"doing": on_page(line.strip())[:200]})


def _stop_when_asked(process: subprocess.Popen[str], reporter: Reporter, over: threading.Event) -> None:
    while not over.is_set():
        if reporter.stop.wait(0.25):
            # A desk that was started in the background of a script ignores Ctrl-C, and so does what it starts.
            if sys.platform == "win32" or signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
                process.terminate()
            else:
                process.send_signal(signal.SIGINT)
            return


def _result(output: str, errors: str, code: int) -> dict[str, Any]:
    """The document of a command that ended well or not complete, or the text of one that only looked.

    Raises CommandFailedError with its own words otherwise.
    """
    if code in (0, EXIT_NOT_COMPLETE):
        try:
            return {"exit_code": code, **json.loads(output)}
        except ValueError:
            if output.strip():
                text = on_page(output[:_LONGEST_TEXT])
                return {
                    "exit_code": code,
                    "asks": bool(_ASKS.search(text)),
                    "text": _ASKS.sub("", text).strip(),
                }
    last = errors.rpartition("lastbar: ")[2]  # what stands before is progress
    said = on_page(re.sub(r"\n +", " ", last).strip())[-2000:]
    raise CommandFailedError(said or f"It ended with {code}.", code)

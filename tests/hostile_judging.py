"""How the fuzz of damaged and hostile inputs judges the end of one: clear error, right result, or defect."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
import os
import re
import signal
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from packer.errors import LastbarError

__all__ = ["TIME_LIMIT_S", "Finding", "judged"]

TIME_LIMIT_S = 20.0  # of processor time, since a busy machine is no defect
_LONGEST_MESSAGE = 20_000


@dataclass(frozen=True, slots=True)
class Finding:
    """How one input ended: `ending` is "error", "right" or "defect", `escape` whether it reached outside."""

    ending: str
    told: str
    seconds: float
    escape: bool = False


class _TooLong(BaseException):
    """The time for one input is up."""


_watched: list[str] = []  # what the audit hook saw that no input may lead to
_allowed: list[str] = []
_FORBIDDEN = (
    "socket.connect",
    "socket.getaddrinfo",
    "subprocess.Popen",
    "os.system",
    "os.exec",
    "os.posix_spawn",
)
_LINKS = ("os.link", "os.symlink")
_CHANGES = (
    "os.remove",
    "os.rename",
    "os.mkdir",
    "os.rmdir",
    "os.link",
    "os.symlink",
    "os.truncate",
    "os.chmod",
    "shutil.rmtree",
)


def _hook(event: str, arguments: tuple[object, ...]) -> None:
    if not _allowed:
        return
    if event in _FORBIDDEN:
        _watched.append(f"{event} {arguments[:2]!r}")
    elif event in _CHANGES or (event == "open" and _writes(arguments)):
        names = (
            arguments[:2] if event == "os.rename" else arguments[1:2] if event in _LINKS else arguments[:1]
        )
        for name in names:
            if arguments[-1] not in (-1, None) and event in ("os.remove", "os.rmdir"):
                continue  # relative to an open folder, as shutil.rmtree does; the comparison of folders sees it
            if isinstance(name, str | os.PathLike):
                path = os.path.abspath(os.fspath(name))  # noqa: PTH100  # not resolved: what it was called
                if not str(path).startswith(tuple(_allowed)) and path != os.devnull:
                    _watched.append(f"{event} {path}")


def _writes(arguments: tuple[object, ...]) -> bool:
    flags = arguments[2] if len(arguments) > 2 else 0
    return isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC))


@functools.cache
def _hooked() -> None:
    sys.addaudithook(_hook)


def _state(folder: Path, but: tuple[Path, ...]) -> dict[str, str]:
    """What lies in a folder: names, and a digest of what each holds."""
    found = {}
    for root, folders, names in os.walk(folder):
        folders[:] = [f for f in folders if Path(root, f) not in but]
        for name in names:
            path = Path(root, name)
            stat = path.lstat()
            plain = path.is_file() and not path.is_symlink() and stat.st_size < 10**7
            digest = hashlib.sha256(path.read_bytes()).hexdigest() if plain else ""
            found[str(path.relative_to(folder))] = f"{stat.st_mode} {stat.st_size} {digest}"
    return found


def judged(
    work: Callable[[], object], folder: Path, own: tuple[str, ...] = (), limit_s: float = TIME_LIMIT_S
) -> Finding:
    """How a piece of work ended that may write to `folder`/out and to what `own` names below `folder`/input."""
    _hooked()
    out = folder / "out"
    ours = (out, *(folder / "input" / name for name in own))
    before = _state(folder, ours)
    _watched.clear()
    _allowed[:] = [str(path) for path in ours]
    started = time.process_time()
    ending, told = _ended(work, limit_s, folder / "tmp")
    took = time.process_time() - started
    _allowed.clear()
    after = _state(folder, ours)
    changed = sorted(name for name in before.keys() | after.keys() if before.get(name) != after.get(name))
    if changed or _watched:
        return Finding("defect", f"reached outside: {changed[:5]} {_watched[:5]}; {told}", took, escape=True)
    return Finding(ending, told, took)


def _ended(work: Callable[[], object], limit_s: float, temporary: Path) -> tuple[str, str]:
    def up(_signal: int, _frame: FrameType | None) -> None:
        raise _TooLong

    before = signal.signal(signal.SIGPROF, up)
    signal.setitimer(signal.ITIMER_PROF, limit_s)
    outer, errors = (
        io.TextIOWrapper(io.BytesIO(), "utf-8"),
        io.TextIOWrapper(io.BytesIO(), "utf-8", errors="backslashreplace"),
    )
    os.environ["TMPDIR"] = str(temporary)
    try:
        with contextlib.redirect_stdout(outer), contextlib.redirect_stderr(errors):
            work()
            outer.flush()
    except LastbarError as fault:
        return _sentence(str(fault), fault)
    except _TooLong:
        return "defect", f"it did not end within {limit_s:g} s"
    except BaseException as fault:  # noqa: BLE001  # whatever comes is what is looked for
        if type(fault).__name__ == "OfferError":
            return (
                ("error", str(fault))
                if str(fault) and str(fault).isprintable()
                else ("defect", repr(str(fault)))
            )
        where = "".join(traceback.format_exception(fault)[-12:])
        return "defect", f"{type(fault).__name__}: {str(fault)[:300]}\n{where}"
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)
    screen = outer.buffer.getvalue().decode()
    if odd := [c for c in screen if not c.isprintable() and c != "\n"]:
        return "defect", f"what it says could steer a terminal: {odd[:3]!r}"
    return "right", ""


_END = re.compile(r"[.?!]\s*$|: lastbar \w+[^\n]*$")  # or with the command that helps
_NO_SENTENCE = re.compile(r"Errno|Traceback|\w+Error\b|object at 0x|set_int_max_str_digits")


def _sentence(text: str, fault: LastbarError) -> tuple[str, str]:
    """Whether a message is whole sentences in plain words."""
    wrong = [
        *(["it does not end as a sentence"] if not _END.search(text) else []),
        *(
            ["it holds what could steer a terminal"]
            if any(not c.isprintable() and c != "\n" for c in text)
            else []
        ),
        *([f"it speaks of {m[0]}"] if (m := _NO_SENTENCE.search(text)) else []),
        *(["it is too long"] if len(text) > _LONGEST_MESSAGE else []),
        *(["it ends a sentence twice"] if re.search(r"[^.]\.\.\s*$", text) else []),
    ]
    if wrong:
        return "defect", f"{type(fault).__name__} is no clear sentence ({', '.join(wrong)}): {text[:600]!r}"
    return "error", text

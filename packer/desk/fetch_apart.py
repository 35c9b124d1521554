"""A fetch in a process of its own, started by the desk and ended with it.

There the fast client can be used, which has crashed a process that ran several fetches; a crash ends one fetch, and
not the desk. And what the pages ask of the desk does not hold the fetch up, or the other way round.

Standard input: the order, pickled, after its length; then a line of JSON for each change: {"stop": true}, {"at_most":
[bits a second, until]} or {"key": [name, value]}. Standard output: lines of JSON: {"ready": true}, {"progress": ...},
{"code": text} for the code by which other machines join, and one {"result": ...} or {"error": text, "exit_code": n} at
the end.
"""

from __future__ import annotations

import asyncio
import json
import os
import pickle
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from packer.common.own_process import own_program_command
from packer.desk.fetch_order import FetchOrder, carry_out
from packer.desk.transport import DESK_TRANSPORT
from packer.errors import LastbarError
from packer.fetching.pacing.speed_limit import SpeedLimit
from packer.fetching.run import fast_loop
from packer.sources.key_sources import give_key, given_keys

if TYPE_CHECKING:
    from packer.desk.jobs import Reporter  # the other process has no pages, and loads none of what they need

__all__ = ["FetchFailedError", "fetch_apart", "fetch_here", "main"]

_LENGTH = struct.Struct(">Q")
_LOOK_EVERY_S = 0.25


class FetchFailedError(LastbarError):
    """What ended a fetch in another process: its own sentence, and its exit code."""

    def __init__(self, text: str, exit_code: int = 1) -> None:
        super().__init__(text)
        self.exit_code = exit_code


# ------------------------------------------------------------------------------------- the desk's side


def fetch_apart(order: FetchOrder, reporter: Reporter) -> Mapping[str, Any]:
    """Fetch in a process of its own; where none can be started, in this one.

    Raises FetchFailedError, or as `carry_out`. If this process dies: the other one hears that its input has ended,
    drops the requests under way and closes the packs whole.
    """
    process = _started()
    if process is None:
        return fetch_here(order, reporter)
    assert process.stdin is not None
    assert process.stdout is not None
    over = threading.Event()
    passing = threading.Thread(
        target=_pass_on, args=(process.stdin, order, reporter, over), name="desk stop", daemon=True
    )
    try:
        passing.start()
        found = _follow(process.stdout, reporter)
    finally:
        over.set()
        passing.join()
        with suppress(OSError):
            process.stdin.close()
        process.stdout.close()
        process.wait()
    if "result" in found:
        return dict(found["result"])
    ended = (
        f"The fetch's own process has ended ({process.returncode}). What is on board is safe. Start it again."
    )
    raise FetchFailedError(found.get("error", ended), found.get("exit_code", 1))


def _started() -> subprocess.Popen[bytes] | None:
    """The process, once it listens; None where it cannot be had."""
    # Ctrl-C reaches every process of the terminal; when this one ends is for the desk to say.
    own_group: dict[str, Any] = (
        {"creationflags": 0x200} if sys.platform == "win32" else {"start_new_session": True}
    )
    try:
        process: subprocess.Popen[bytes] = subprocess.Popen(
            own_program_command("packer.desk.fetch_apart"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            **own_group,
        )
    except OSError:
        return None
    assert process.stdin is not None
    assert process.stdout is not None
    if b"ready" in process.stdout.readline():
        return process
    process.stdin.close()
    process.stdout.close()
    process.wait()
    return None


def _follow(answers: IO[bytes], reporter: Reporter) -> dict[str, Any]:
    """Pass the progress on until the process ends; what it said last."""
    found: dict[str, Any] = {}
    for line in answers:
        if not line.endswith(b"\n"):
            break  # it died in the middle of it
        found = json.loads(line)
        if "progress" in found:
            reporter.progress(found["progress"])
        elif "code" in found:
            reporter.join_by(found["code"])
    return found


def _pass_on(orders: IO[bytes], order: FetchOrder, reporter: Reporter, over: threading.Event) -> None:
    """Send the order, then what changes: a stop, the share of the link, a key."""
    limit, told = order.options.speed_limit, dict[str, Any]()
    known = dict(order.keys)
    sent = pickle.dumps(order)

    def tell(**what: Any) -> None:
        if told.get(next(iter(what))) != what:
            told[next(iter(what))] = what
            orders.write(json.dumps(what).encode() + b"\n")
            orders.flush()

    with suppress(OSError, ValueError):  # it has ended, and says why by its answers
        orders.write(_LENGTH.pack(len(sent)) + sent)
        orders.flush()
        while not over.is_set():
            tell(at_most=[limit.bits_per_second, limit.until])
            for name, value in given_keys().items():
                if known.get(name) != value:
                    known[name] = value
                    orders.write(json.dumps({"key": [name, value]}).encode() + b"\n")
                    orders.flush()
            if reporter.stop.is_set():
                tell(stop=True)
                over.wait(_LOOK_EVERY_S)
            else:
                reporter.stop.wait(_LOOK_EVERY_S)


def fetch_here(order: FetchOrder, reporter: Reporter) -> Mapping[str, Any]:
    """Fetch in this process, with the client that bears being started and stopped for hours. Raises as `carry_out`."""
    order = replace(order, options=replace(order.options, transport=DESK_TRANSPORT))

    async def go() -> dict[str, Any]:
        stop, loop = asyncio.Event(), asyncio.get_running_loop()
        over = threading.Event()

        def watch() -> None:
            while not over.is_set():
                if reporter.stop.wait(_LOOK_EVERY_S):
                    if not over.is_set():
                        loop.call_soon_threadsafe(stop.set)
                    return

        threading.Thread(target=watch, name="desk stop", daemon=True).start()
        try:
            return await carry_out(order, stop, reporter.progress, reporter.join_by)
        finally:
            over.set()

    with asyncio.Runner(loop_factory=fast_loop()) as runner:
        return runner.run(go())


# ------------------------------------------------------------------------------------- the other side


def main() -> None:
    """Carry out the order that comes. If the process dies: as `carry_out`."""
    answers = os.fdopen(os.dup(1), "wb")
    with Path(os.devnull).open("wb") as nowhere:
        os.dup2(nowhere.fileno(), 1)  # whatever a library prints is no answer
    _say(answers, ready=True)
    orders = sys.stdin.buffer
    try:
        order = _order(orders)
        for name, value in order.keys.items():
            give_key(name, value)
        with asyncio.Runner(loop_factory=fast_loop()) as runner:
            _say(answers, result=runner.run(_carried_out(order, orders, answers)))
    except LastbarError as fault:
        _say(answers, error=str(fault), exit_code=fault.exit_code)
    except (EOFError, asyncio.CancelledError):
        pass  # the desk is gone
    except Exception as fault:  # noqa: BLE001  # the page has to hear of it; nobody else looks at this process
        _say(
            answers, error=f"This is a defect of Lastbar ({type(fault).__name__}). What is on board is safe."
        )


def _order(orders: IO[bytes]) -> FetchOrder:
    """The order that the desk sends first. Raises EOFError if it ends before."""
    head = orders.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        raise EOFError
    sent = orders.read(_LENGTH.unpack(head)[0])
    found = pickle.loads(sent)  # from the process that started this one, by a pipe of theirs
    assert isinstance(found, FetchOrder)
    return found


async def _carried_out(order: FetchOrder, orders: IO[bytes], answers: IO[bytes]) -> dict[str, Any]:
    """Carry out the order, heeding what comes. If cancelled, also as the desk is gone: as `carry_out`."""
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    fetching = asyncio.ensure_future(
        carry_out(
            order, stop, lambda what: _say(answers, progress=what), lambda code: _say(answers, code=code)
        )
    )
    hearing = threading.Thread(
        target=_hear,
        args=(orders, order.options.speed_limit, loop, stop, fetching.cancel),
        name="desk",
        daemon=True,
    )
    hearing.start()
    return await fetching


def _hear(
    orders: IO[bytes],
    limit: SpeedLimit,
    loop: asyncio.AbstractEventLoop,
    stop: asyncio.Event,
    drop: Callable[[], object],
) -> None:
    """Heed what the desk says, until its end."""
    with suppress(RuntimeError):  # the loop has ended
        for line in orders:
            if not line.endswith(b"\n"):
                break
            match json.loads(line):
                case {"stop": True}:
                    loop.call_soon_threadsafe(stop.set)
                case {"at_most": [bits, until]}:
                    limit.until, limit.bits_per_second = until, bits
                case {"key": [name, value]}:
                    give_key(name, value)
        loop.call_soon_threadsafe(drop)


def _say(answers: IO[bytes], **what: Any) -> None:
    with suppress(BrokenPipeError):  # the desk is gone, and what ends the fetch is the end of its input
        answers.write(json.dumps(what).encode() + b"\n")
        answers.flush()


if __name__ == "__main__":
    main()

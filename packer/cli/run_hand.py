"""`lastbar hand`: fetch for another machine."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import socket
import sys
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from packer.cli.output import echo, warn
from packer.cli.progress import warn_wrapped
from packer.cli.signals import on_stop_signals
from packer.cli.terminal import takes_codes
from packer.common.clock import SystemClock
from packer.common.units import bytes_text, counted
from packer.errors import EXIT_DONE, InputError
from packer.fetching.hands.host import CODE_VARIABLE, check_hands
from packer.fetching.run import fast_loop
from packer.fetching.transports import TransportName

if TYPE_CHECKING:
    from packer.fetching.hands.hand import HandNews, Joined

__all__ = ["run"]

_SHOWN_EVERY_S, _TOLD_EVERY_S = 1.0, 10.0
_LOCK_PASSES_S = 0.0002  # as in `run_fetch`
_NO_NAME = re.compile(r"[^\w .-]+")


def run(code: str | None, name: str | None, transport: TransportName | None, *, below: bool) -> int:
    """Work until all is on board, or until Ctrl-C; 0 for both. `below` is for a process that a fetch has started, which
    ends with its standard input. Raises InputError, NetworkError, TermsError."""
    check_hands()
    from packer.fetching.hands.hand import Joined
    from packer.fetching.hands.join_code import JoinCode, hand_context

    text = os.environ.pop(CODE_VARIABLE, None) if below else code or _asked()
    joining = JoinCode.read(text or "")
    called = _NO_NAME.sub(" ", name or socket.gethostname()).strip()[:40] or "hand"
    joined = Joined(joining.place, hand_context(joining), called, transport)
    sys.setswitchinterval(_LOCK_PASSES_S)
    with asyncio.Runner(loop_factory=fast_loop()) as runner:
        complete = runner.run(_work(joined, below=below))
    if not below:
        echo("Everything planned is on board of the planning machine." if complete else "Stopped.")
    return EXIT_DONE


def _asked() -> str:
    """The code as it is typed or pasted; it is no secret to whoever stands here, but may be long for a command line."""
    if not sys.stdin.isatty():
        return sys.stdin.readline()
    sys.stderr.write("The code that the planning machine shows: ")
    sys.stderr.flush()
    try:
        return sys.stdin.readline()
    except KeyboardInterrupt:
        raise InputError("No code was given.") from None


async def _work(joined: Joined, *, below: bool) -> bool:
    from packer.fetching.hands.hand import HandNews, hand

    stop, news = asyncio.Event(), HandNews()
    task = asyncio.current_task()
    assert task is not None

    def heed() -> None:
        if stop.is_set():
            task.cancel()
        else:
            _note(
                "Finishing requests in progress, then giving back the rest. Press Ctrl-C again to stop now."
            )
            stop.set()

    on_stop_signals(asyncio.get_running_loop(), heed)
    if below:
        _end_with_input(asyncio.get_running_loop(), stop.set)
    shown = asyncio.create_task(_show(news, quiet=below))
    try:
        return await hand(joined, SystemClock(), stop, news, _quiet if below else _note)
    except asyncio.CancelledError:
        raise KeyboardInterrupt from None
    finally:
        shown.cancel()
        await asyncio.gather(shown, return_exceptions=True)


def _quiet(_text: str) -> None:
    return None


def _note(text: str) -> None:
    """A message, above the line that is redrawn."""
    if sys.stderr.isatty():
        sys.stderr.write("\r\033[K")
    warn_wrapped(text)


def _end_with_input(loop: asyncio.AbstractEventLoop, stop: Callable[[], None]) -> None:
    """Stop once whoever started this process is gone."""

    def watch() -> None:
        sys.stdin.buffer.read()
        with contextlib.suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(stop)

    threading.Thread(target=watch, daemon=True).start()


async def _show(news: HandNews, *, quiet: bool) -> None:
    """Say what it does and how fast. If cancelled: nothing is held."""
    if quiet:
        return
    try:
        await _tell(news)
    finally:
        if sys.stderr.isatty():
            sys.stderr.write("\r\033[K")


async def _tell(news: HandNews) -> None:
    """If cancelled: nothing is held."""
    before, joined, at = (0, 0), False, time.monotonic()
    live = takes_codes(sys.stderr)
    while True:
        await asyncio.sleep(_SHOWN_EVERY_S)
        if news.joined and not joined:
            _note(
                f'Joined as "{news.name}". Fetching {", ".join(news.layers)} of "{news.title}" for the planning '
                "machine. Ctrl-C stops it and gives back what is left."
            )
        joined = news.joined
        now = time.monotonic()
        if not joined or now - at < (_SHOWN_EVERY_S if live else _TOLD_EVERY_S):
            continue
        tiles_s = (news.tiles - before[0]) / (now - at)
        bits = (news.bytes - before[1]) * 8 / (now - at)
        before, at = (news.tiles, news.bytes), now
        line = _line(news, tiles_s, bits)
        if live:
            sys.stderr.write(f"\r\033[K{line[:79]}")
            sys.stderr.flush()
        else:
            warn(line)


def _line(news: HandNews, tiles_s: float, bits: float) -> str:
    pauses = [pause for pause in news.waits.values() if pause is not None]
    if pauses:
        return f"waiting: {pauses[0].reason}"
    if news.failed:
        return next(iter(news.failed.values()))
    whole = f"{counted(news.tiles, 'tile')} sent ({bytes_text(news.bytes)})"
    return (
        f"{tiles_s:,.0f} tiles/s, {bits / 1e6:.1f} Mbit/s, {whole}, {counted(news.connections, 'connection')}"
    )

"""Progress of a fetch: one line a layer that is redrawn on a terminal, plain lines anywhere else."""

from __future__ import annotations

import sys
import time
from collections import deque
from contextlib import AbstractContextManager
from types import TracebackType

from rich.console import Console
from rich.live import Live
from rich.table import Table

from packer.brief import Brief
from packer.cli.speech import bytes_text, duration_text, note
from packer.fetching import LayerProgress
from packer.fetching.gate import Pause, PauseKind

__all__ = ["Progress", "progress_for"]

_PLAIN_EVERY_S = 5.0
_RATE_OVER_S = 20.0


def progress_for(brief: Brief) -> Progress:
    """The way of showing progress that suits where stderr goes."""
    return LiveProgress(brief) if sys.stderr.isatty() else Progress(brief)


class _Speed:
    """Tiles a second over the last while."""

    def __init__(self) -> None:
        self._marks: deque[tuple[float, int]] = deque()

    def at(self, now: float, done: int) -> float:
        self._marks.append((now, done))
        while now - self._marks[0][0] > _RATE_OVER_S:
            self._marks.popleft()
        span = now - self._marks[0][0]
        return (done - self._marks[0][1]) / span if span > 0 else 0.0


class Progress(AbstractContextManager["Progress"]):
    """Plain lines: one a layer every few seconds, and one whenever a wait begins or ends."""

    def __init__(self, brief: Brief) -> None:
        self._speeds = {name: _Speed() for name in brief.layers}
        self._shown_at = time.monotonic()
        self._pauses: dict[str, str] = {}

    def show(self, layers: list[LayerProgress]) -> None:
        """Take in where the layers stand; called several times a second."""
        now = time.monotonic()
        texts = {la.name: self._line(la, now) for la in layers}
        for layer in layers:
            self._tell_pause(layer)
        if now - self._shown_at >= _PLAIN_EVERY_S:
            self._shown_at = now
            for text in texts.values():
                note(text)

    def _line(self, layer: LayerProgress, now: float) -> str:
        done = layer.held + layer.absent
        speed = self._speeds[layer.name].at(now, done)
        share = done * 100 // max(layer.planned, 1)
        left = layer.planned - done
        eta = f", about {duration_text(left / speed)} left" if speed > 0 and left else ""
        return f"{layer.name}: {done:,} of {layer.planned:,} tiles ({share} %), {speed:,.0f}/s{eta}"

    def _tell_pause(self, layer: LayerProgress) -> None:
        kind = layer.pause.kind if layer.pause else ""
        if kind != self._pauses.get(layer.name, ""):
            self._pauses[layer.name] = kind
            note(
                f"{layer.name}: {waiting_text(layer.pause, layer.host)}"
                if layer.pause
                else f"{layer.name}: going on."
            )

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None


class LiveProgress(Progress):
    """One line a layer, redrawn in place."""

    def __init__(self, brief: Brief) -> None:
        super().__init__(brief)
        self._live = Live(console=Console(stderr=True), refresh_per_second=4, transient=True)

    def __enter__(self) -> LiveProgress:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def show(self, layers: list[LayerProgress]) -> None:
        """Take in where the layers stand; called several times a second."""
        now = time.monotonic()
        grid = Table.grid(padding=(0, 2))
        for la in layers:
            done = la.held + la.absent
            speed = self._speeds[la.name].at(now, done)
            left = la.planned - done
            grid.add_row(
                la.name,
                f"{done * 100 // max(la.planned, 1):3d} %",
                f"{done:,} of {la.planned:,}",
                f"{speed:,.0f}/s",
                bytes_text(la.tally.bytes),
                f"{duration_text(left / speed)} left" if speed > 0 and left else "",
            )
            if la.pause:
                grid.add_row("", "", waiting_text(la.pause, la.host))
        self._live.update(grid)


def waiting_text(pause: Pause, host: str) -> str:
    """What a wait is for, in the planner's words."""
    if pause.kind is PauseKind.SIGN_IN:
        where = f"Open http://{pause.where} in a browser" if pause.where else "Open any web page in a browser"
        return (
            f"waiting: a sign-in page answers instead of {host}. {where} and sign in; this goes on by itself."
        )
    if pause.kind is PauseKind.ASKED:
        return f"waiting, as {host} asks: {pause.reason}."
    if pause.kind is PauseKind.LINK:
        return f"waiting for the link: {pause.reason}. It is tried again by itself; Ctrl-C stops."
    return f"waiting: {host} is in trouble: {pause.reason}. It is tried again by itself; Ctrl-C stops."

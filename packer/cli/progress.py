"""Progress of a fetch: a screen that is redrawn in place on a terminal, plain lines anywhere else."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from types import TracebackType

from rich.console import Console
from rich.live import Live
from rich.text import Text

from packer.cli.fetch_screen import RecentPace, fetch_state, plain_areas, screen_lines, total_line
from packer.cli.fetch_words import alarm_text, outlook_text, waiting_text, waiting_together
from packer.cli.hand_text import HandEvents
from packer.cli.lines import marks_for, wrapped
from packer.cli.output import warn
from packer.cli.terminal import takes_codes
from packer.fetching.reports import LayerProgress

__all__ = ["FetchProgress", "LiveFetchProgress", "progress_for", "warn_wrapped"]

_PLAIN_EVERY_S, _AREAS_EVERY_S = 5.0, 30.0
_WIDTH = 79  # one column less than the least terminal: some break a line that fills its last one


def progress_for(depart_at: float | None = None) -> FetchProgress:
    """The way of showing progress that suits where stderr goes; `depart_at` is in seconds since 1970."""
    return LiveFetchProgress(depart_at) if takes_codes(sys.stderr) else FetchProgress(depart_at)


class FetchProgress(AbstractContextManager["FetchProgress"]):
    """Plain lines: the whole every few seconds, the areas now and then, and one whenever something happens."""

    def __init__(
        self,
        depart_at: float | None = None,
        now: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._depart_at, self._now, self._wall = depart_at, now, wall
        self._paces: dict[str, RecentPace] = {}
        self._shown_at = self._areas_at = now()
        self._pauses: dict[str, str] = {}
        self._alarmed: set[tuple[str, str]] = set()
        self._forecast: set[str] = set()
        self._hand_events = HandEvents()

    def note(self, text: str) -> None:
        """Print a message beside the progress."""
        warn_wrapped(text)

    def show(self, layers: list[LayerProgress]) -> None:
        """Take in where the layers stand; called several times a second."""
        now = self._now()
        self._note_events(layers, now)
        state = fetch_state(layers, self._paces, now, self._wall(), self._depart_at)
        if now - self._shown_at >= _PLAIN_EVERY_S and any(la.pause is None for la in layers):
            self._shown_at = now
            warn_wrapped(total_line(state))
        if now - self._areas_at >= _AREAS_EVERY_S:
            self._areas_at = now
            for line in plain_areas(state):
                warn_wrapped(line)

    def _note_events(self, layers: list[LayerProgress], now: float) -> None:
        for together in waiting_together(layers):
            la = together[0]
            kind = la.pause.kind if la.pause else ""
            if changed := [one.name for one in together if self._pauses.get(one.name, "") != kind]:
                self._pauses |= dict.fromkeys(changed, kind)
                told = waiting_text(la.pause, la.host, now) if la.pause else "continuing."
                self.note(f"{', '.join(changed)}: {told}")
        for text in self._hand_events.note(layers[0].hands if layers else None):
            self.note(text)
        for alarm in (a for la in layers for a in la.alarms):
            if (alarm.layer, alarm.sha256) not in self._alarmed:
                self._alarmed.add((alarm.layer, alarm.sha256))
                self.note(alarm_text(alarm))
        for la in layers:
            if la.departure is not None and la.name not in self._forecast:
                self._forecast.add(la.name)
                self.note(outlook_text(la.name, la.departure, self._depart_at))

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None


class LiveFetchProgress(FetchProgress):
    """A screen that is redrawn in place; events are printed above it and stay."""

    def __init__(
        self,
        depart_at: float | None = None,
        now: Callable[[], float] = time.monotonic,
        console: Console | None = None,
        wall: Callable[[], float] = time.time,
    ) -> None:
        super().__init__(depart_at, now, wall)
        self._console = console or Console(stderr=True)
        self._marks = marks_for(self._console.encoding)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._drawn = ""

    def __enter__(self) -> LiveFetchProgress:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def note(self, text: str) -> None:
        """Print a message above the lines that are redrawn."""
        for line in wrapped(text, self._width):
            self._console.print(line, soft_wrap=True, markup=False, highlight=False, emoji=False)

    @property
    def _width(self) -> int:
        return max(20, min(_WIDTH, self._console.width - 1))

    def show(self, layers: list[LayerProgress]) -> None:
        """Take in where the layers stand; redraws only what has changed, so that nothing flickers."""
        now = self._now()
        self._note_events(layers, now)
        state = fetch_state(layers, self._paces, now, self._wall(), self._depart_at)
        # Leave a line for the cursor: what is taller than the screen cannot be redrawn in place.
        lines = screen_lines(state, self._width, max(1, self._console.height - 1), self._marks)
        drawn = "\n".join(lines)
        if drawn != self._drawn:
            self._drawn = drawn
            self._live.update(Text(drawn, no_wrap=True, overflow="crop"), refresh=True)


def warn_wrapped(text: str) -> None:
    """A message beside the result; no number is parted from its unit."""
    for line in wrapped(text, _WIDTH, "    " if text.startswith(" ") else "  "):
        warn(line)

"""Progress of a fetch: a few lines that are redrawn on a terminal, plain lines anywhere else."""

from __future__ import annotations

import re
import sys
import textwrap
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from types import TracebackType

from rich.console import Console
from rich.live import Live
from rich.text import Text

from packer.cli.output import warn
from packer.common.units import bytes_text, counted, duration_text
from packer.fetching.pacing.gate import Pause, PauseKind
from packer.fetching.reports import Alarm, AreaCoverage, Departure, LayerProgress

__all__ = [
    "FetchProgress",
    "LiveFetchProgress",
    "alarm_text",
    "outlook_text",
    "progress_for",
    "standing_text",
    "waiting_text",
    "warn_wrapped",
]

_PLAIN_EVERY_S, _STANDING_EVERY_S = 5.0, 30.0
_RATE_OVER_S = 20.0
_WIDTH = 79  # one column less than the least terminal: some break a line that fills its last one
_MOST_AREAS = 4
_FIGURE = re.compile(r"(?<=[0-9]) (?=[0-9]+ %|%|[a-zA-Z]{1,3}\b)")


def progress_for(depart_at: float | None = None) -> FetchProgress:
    """The way of showing progress that suits where stderr goes; `depart_at` is in seconds since 1970."""
    return LiveFetchProgress(depart_at) if sys.stderr.isatty() else FetchProgress(depart_at)


class _RecentSpeed:
    """Tiles a second over the last while; its times leave out waits for a host that could not be reached, and may go
    back a little as one is noticed."""

    def __init__(self) -> None:
        self._marks: deque[tuple[float, int]] = deque()

    def at(self, now: float, done: int) -> float:
        while self._marks and self._marks[-1][0] >= now:
            self._marks.pop()
        self._marks.append((now, done))
        while now - self._marks[0][0] > _RATE_OVER_S:
            self._marks.popleft()
        span = now - self._marks[0][0]
        return (done - self._marks[0][1]) / span if span > 0 else 0.0


class FetchProgress(AbstractContextManager["FetchProgress"]):
    """Plain lines: one a layer every few seconds, and one whenever something happens."""

    def __init__(self, depart_at: float | None = None, now: Callable[[], float] = time.monotonic) -> None:
        self._depart_at, self._now = depart_at, now
        self._speeds: dict[str, _RecentSpeed] = {}
        self._shown_at = self._stood_at = now()
        self._pauses: dict[str, str] = {}
        self._alarmed: set[tuple[str, str]] = set()
        self._forecast: set[str] = set()

    def note(self, text: str) -> None:
        """Print a message beside the progress."""
        warn_wrapped(text)

    def show(self, layers: list[LayerProgress]) -> None:
        """Take in where the layers stand; called several times a second."""
        now = self._now()
        self._note_events(layers, now)
        lines = {la.name: self._line(la, now) for la in layers}
        if now - self._shown_at >= _PLAIN_EVERY_S:
            self._shown_at = now
            for la in layers:
                if la.pause is None:
                    warn_wrapped(lines[la.name])
        if now - self._stood_at >= _STANDING_EVERY_S:
            self._stood_at = now
            for la in layers:
                for line in self._standing_lines(la):
                    warn_wrapped(f"  {la.name}, {line}")

    def _note_events(self, layers: list[LayerProgress], now: float) -> None:
        for names, la in _by_host(layers):
            kind = la.pause.kind if la.pause else ""
            if kind != self._pauses.get(la.host, ""):
                self._pauses[la.host] = kind
                self.note(f"{names}: {waiting_text(la.pause, la.host, now) if la.pause else 'continuing.'}")
        for alarm in (a for la in layers for a in la.alarms):
            if (alarm.layer, alarm.sha256) not in self._alarmed:
                self._alarmed.add((alarm.layer, alarm.sha256))
                self.note(alarm_text(alarm))
        for la in layers:
            if la.departure is not None and la.name not in self._forecast:
                self._forecast.add(la.name)
                self.note(outlook_text(la.name, la.departure, self._depart_at))

    def _line(self, layer: LayerProgress, now: float) -> str:
        done = layer.held + layer.absent
        if layer.refresh.stale and done + layer.counts.failed >= layer.planned:
            return self._refresh_line(layer, now)
        speed = self._speeds.setdefault(layer.name, _RecentSpeed()).at(now - layer.waited_s, done)
        left = layer.planned - done - layer.counts.failed
        share = done * 100 // max(layer.planned, 1)
        parts = [f"{layer.name}: {share} %, {done:,} of {layer.planned:,} tiles", f"{speed:,.0f}/s"]
        parts.append(bytes_text(layer.counts.bytes))
        if layer.pause is None and speed > 0 and left > 0:
            parts.append(f"{duration_text(left / speed)} left")
        return ", ".join(parts)

    def _refresh_line(self, layer: LayerProgress, now: float) -> str:
        tally = layer.refresh
        left = tally.left - tally.failed
        done = tally.stale - left
        speed = self._speeds.setdefault(f"{layer.name} refresh", _RecentSpeed()).at(
            now - layer.waited_s, done
        )
        parts = [
            f"{layer.name}: {done * 100 // tally.stale} %, {done:,} of {tally.stale:,} old tiles refreshed",
            f"{tally.new:,} new",
            f"{speed:,.0f}/s",
        ]
        if layer.pause is None and speed > 0 and left > 0:
            parts.append(f"{duration_text(left / speed)} left")
        return ", ".join(parts)

    def _standing_lines(self, layer: LayerProgress) -> list[str]:
        lines = [f"on board: {standing_text(layer.areas)}"] if layer.areas else []
        if layer.departure is not None:
            told = "complete" if layer.departure.complete else standing_text(layer.departure.areas)
            lines.append(f"{_by_then(self._depart_at)}: {told}")
        return lines

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None


class LiveFetchProgress(FetchProgress):
    """A few lines a layer, redrawn in place; events are printed above them and stay."""

    def __init__(
        self,
        depart_at: float | None = None,
        now: Callable[[], float] = time.monotonic,
        console: Console | None = None,
    ) -> None:
        super().__init__(depart_at, now)
        self._console = console or Console(stderr=True)
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
        for line in _wrapped(text, self._width, "  "):
            self._console.print(line, soft_wrap=True, markup=False, highlight=False, emoji=False)

    @property
    def _width(self) -> int:
        return max(20, min(_WIDTH, self._console.width - 1))

    def show(self, layers: list[LayerProgress]) -> None:
        """Take in where the layers stand; redraws only what has changed, so that nothing flickers."""
        now = self._now()
        self._note_events(layers, now)
        lines: list[str] = []
        for la in layers:
            lines.append(self._line(la, now)[: self._width])
            for text in self._standing_lines(la):
                lines += _wrapped(text, self._width, "    ", "  ")
        for _, la in _by_host(layers):
            if la.pause:
                lines += _wrapped(_countdown(la.pause, now), self._width, "  ")
        # Leave a line for the cursor: what is taller than the screen cannot be redrawn in place.
        lines = lines[: max(1, self._console.height - 1)]
        drawn = "\n".join(lines)
        if drawn != self._drawn:
            self._drawn = drawn
            self._live.update(Text(drawn, no_wrap=True, overflow="crop"), refresh=True)


def warn_wrapped(text: str) -> None:
    """A message beside the result; no number is parted from its unit."""
    for line in _wrapped(text, _WIDTH, "    " if text.startswith(" ") else "  "):
        warn(line)


def _wrapped(text: str, width: int, later: str, first: str = "") -> list[str]:
    """Lines that fit, the later ones indented; a hash or an address is not broken, nor a figure and its unit."""
    kept = _FIGURE.sub("\u00a0", text)  # which textwrap does not take for a space
    lines = textwrap.wrap(
        kept,
        width,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace("\u00a0", " ") for line in lines]


def _by_host(layers: Sequence[LayerProgress]) -> Iterable[tuple[str, LayerProgress]]:
    """Each host's first layer, with the names of all that share it: they wait together."""
    hosts: dict[str, list[LayerProgress]] = {}
    for la in layers:
        hosts.setdefault(la.host, []).append(la)
    return ((", ".join(la.name for la in group), group[0]) for group in hosts.values())


# ---------------------------------------------------------------------------------------------- wording


def standing_text(areas: Sequence[AreaCoverage]) -> str:
    """How much of each area is there, in brief: "camp complete; course z0-14 100 %, z15 40 %, z16-17 0 %"."""
    whole = [s.area for s in areas if all(share >= 1 for _, share in s.shares)]
    partly = [s for s in areas if s.area not in whole]
    told = [f"{' and '.join(filter(None, (', '.join(whole[:-1]), whole[-1])))} complete"] if whole else []
    told += [f"{s.area} {_zooms_text(s.shares)}" for s in partly[:_MOST_AREAS]]
    if len(partly) > _MOST_AREAS:
        told.append(f"{counted(len(partly) - _MOST_AREAS, 'more area')} not complete")
    return "; ".join(told)


def _zooms_text(shares: Sequence[tuple[int, float]]) -> str:
    runs: list[tuple[int, int, int]] = []
    for zoom, share in shares:
        percent = int(share * 100)
        if runs and runs[-1][2] == percent and runs[-1][1] == zoom - 1:
            runs[-1] = (runs[-1][0], zoom, percent)
        else:
            runs.append((zoom, zoom, percent))
    return ", ".join(f"z{a} {p} %" if a == b else f"z{a}-{b} {p} %" for a, b, p in runs)


def _by_then(depart_at: float | None) -> str:
    return f"by {_clock_text(depart_at)}" if depart_at is not None else "within the byte limit"


def _clock_text(seconds: float) -> str:
    when = datetime.fromtimestamp(seconds)
    today = when.date() == datetime.now().date()
    return when.strftime("%H:%M" if today else "%a %H:%M")


def outlook_text(layer: str, departure: Departure, depart_at: float | None) -> str:
    """What will be ready when the crew leaves, and what will not, in sentences."""
    when = f"By {_clock_text(depart_at)}" if depart_at is not None else "Within the byte limit"
    if departure.complete:
        return f"{layer}: {when}, everything will be on board, at the present speed."
    ready = [s.area for s in departure.areas if all(share >= 1 for _, share in s.shares)]
    short = [s for s in departure.areas if s.area not in ready]
    there = f"Complete: {', '.join(ready)}. " if ready else ""
    missing = "; ".join(f"{s.area} {_zooms_text(s.shares)}" for s in short)
    return (
        f"{layer}: {when}, about {counted(departure.tiles, 'more tile')} will be on board, at the present speed. "
        f"{there}Not complete: {missing}."
    )


def alarm_text(alarm: Alarm) -> str:
    """One image at many places, and what to do about it."""
    return (
        f"{alarm.layer}: {alarm.tiles:,} tiles are the same image, for example {alarm.example}. It may mean "
        '"no data" or "blocked". Look at it with lastbar view. If so, write below '
        f'[layers.{alarm.layer}]: blank = ["{alarm.sha256}"] and such tiles count as not on the server.'
    )


def waiting_text(pause: Pause, host: str, now: float | None = None) -> str:
    """What a wait is for, in words; `now` is on the clock of the pause."""
    if pause.kind is PauseKind.SIGN_IN:
        where = f"Open {_page(pause.where)} in a browser" if pause.where else "Open any web page in a browser"
        return (
            f"waiting. Something else answers in place of {host}: {pause.reason}. {where} on this machine and "
            "sign in to the network; the fetch then resumes by itself. Nothing is lost."
        )
    if pause.kind is PauseKind.ASKED:
        wait = "" if now is None else f" {duration_text(max(pause.until - now, 0.0))}"
        return f"waiting{wait} because {host} asked for it ({pause.reason}). No action needed."
    if pause.kind is PauseKind.LINK:
        return (
            f"waiting for the network. No answer from {host}: {pause.reason}. The fetch tries again at least every "
            "10 s and resumes by itself. Nothing is lost. Ctrl-C stops it."
        )
    return (
        f"waiting for the server. {host} answers, but not with tiles: {pause.reason}. The fetch tries again at "
        "least every 30 s and resumes by itself. Nothing is lost. Ctrl-C stops it."
    )


def _page(where: str) -> str:
    return where if "://" in where else f"http://{where}"


_COUNTED = {
    PauseKind.SIGN_IN: "waiting for you to sign in to the network, for",
    PauseKind.ASKED: "waiting because the server asked for it, for",
    PauseKind.LINK: "waiting for the network, for",
    PauseKind.SERVER: "waiting for the server to recover, for",
}


def _countdown(pause: Pause, now: float) -> str:
    """The wait in one line, for lines that are redrawn; its sentence stands above them."""
    next_s = pause.until - now
    soon = f"next try in {duration_text(next_s)}" if next_s >= 1 else "trying now"
    return f"{_COUNTED[pause.kind]} {duration_text(now - pause.since)}; {soon}"

"""What a fetch shows while it runs: a line for each area, the whole with its end, and what waits. Pure text."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from packer.cli.area_lines import AreaState, area_bars, labelled_bar, shown_areas
from packer.cli.fetch_words import clock_text, countdown_text, waiting_together
from packer.cli.hand_text import hand_lines, shown_hands
from packer.cli.lines import BLOCKS, Marks, percent, wrapped
from packer.common.units import bytes_text, counted, duration_text
from packer.fetching.reports import AreaCoverage, LayerProgress

__all__ = [
    "AreaState",
    "FetchState",
    "RecentPace",
    "fetch_state",
    "plain_areas",
    "screen_lines",
    "total_line",
]

_OVER_S = 20.0
_DEPARTURE_LINES = 2
_ROWS_FOR_AREAS = 4  # whatever else there is to say
_MOST_PLAIN, _ANY_WIDTH = 12, 200


class RecentPace:
    """What a layer has done of late: tiles and bytes a second.

    Its times leave out waits for a host that could not be reached, and may go back a little as one is noticed.
    """

    def __init__(self) -> None:
        self._marks: deque[tuple[float, int, int]] = deque()

    def mark(self, now: float, tiles: int, size_bytes: int) -> tuple[float, float]:
        """Take in how much is done by now; gives tiles and bytes a second, 0 while nothing is known."""
        while self._marks and self._marks[-1][0] >= now:
            self._marks.pop()
        self._marks.append((now, tiles, size_bytes))
        while now - self._marks[0][0] > _OVER_S:
            self._marks.popleft()
        start, first, before = self._marks[0]
        span = now - start
        return ((tiles - first) / span, (size_bytes - before) / span) if span > 0 else (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class FetchState:
    """Where a fetch stands, over all layers. Bytes are those of this run; `to_come_bytes` is None while nothing tells.

    `left_s` is the time to the end at the present speed, and `ends_at` that moment in seconds since 1970; both are None
    while the speed is not known or something waits. `layers` are the shares of each. `waits`, `refresh`, `departure`
    and `hands`, with one for each machine that fetches, are lines of text. `counted` is False as long as nobody knows
    how much is done.
    """

    areas: tuple[AreaState, ...]
    layers: tuple[tuple[str, float], ...]
    done: int
    planned: int
    failed: int
    came_bytes: int
    to_come_bytes: float | None
    bits_per_second: float
    left_s: float | None
    ends_at: float | None = None
    refresh: tuple[str, ...] = ()
    waits: tuple[str, ...] = ()
    departure: str = ""
    hands: tuple[str, ...] = ()
    counted: bool = True

    @property
    def share(self) -> float:
        """Of all tiles that are planned, those that are not missing."""
        return self.done / self.planned if self.planned else 1.0


def fetch_state(
    layers: Sequence[LayerProgress],
    paces: dict[str, RecentPace],
    now: float,
    wall: float,
    depart_at: float | None = None,
) -> FetchState:
    """Where the layers stand at `now`, on the clock of their pauses, which is `wall` in seconds since 1970; `paces`
    remembers each layer's."""
    left_s: float | None = 0.0
    bits, to_come, known = 0.0, 0.0, True
    for layer in layers:
        refresh = layer.refresh
        done = layer.held + layer.absent + refresh.stale - refresh.left
        pace = paces.setdefault(layer.name, RecentPace())
        tiles_s, bytes_s = pace.mark(now - layer.waited_s, done, layer.counts.bytes)
        bits += bytes_s * 8
        left = _left(layer)
        came = layer.counts.stored + refresh.new
        known = known and (came > 0 or not left)
        to_come += left * layer.counts.bytes / came if came else 0.0
        if left and (layer.pause is not None or tiles_s <= 0):
            left_s = None
        elif left and left_s is not None:
            left_s = max(left_s, left / tiles_s)
    return FetchState(
        _areas(layers),
        tuple((la.name, (la.held + la.absent) / la.planned if la.planned else 1.0) for la in layers),
        sum(la.held + la.absent for la in layers),
        sum(la.planned for la in layers),
        sum(la.counts.failed + la.refresh.failed for la in layers),
        sum(la.counts.bytes for la in layers),
        to_come if known else None,
        bits,
        left_s,
        None if left_s is None else wall + left_s,
        tuple(_refresh_text(la) for la in layers if la.refresh.stale),
        tuple(_waits(layers, now)),
        "" if any(la.pause for la in layers) else _departure_text(layers, depart_at),
        tuple(hand_lines(layers[0].hands)) if layers else (),
        all(la.counted for la in layers),
    )


def _left(layer: LayerProgress) -> int:
    missing = layer.planned - layer.held - layer.absent - layer.counts.failed
    return max(missing, 0) + max(layer.refresh.left - layer.refresh.failed, 0)


def _areas(layers: Sequence[LayerProgress]) -> tuple[AreaState, ...]:
    found: dict[str, list[tuple[str, AreaCoverage]]] = {}
    for layer in layers:
        for one in layer.areas:
            if one.planned:
                found.setdefault(one.area, []).append((layer.name, one))
    return tuple(
        AreaState(
            name,
            sum(one.done for _, one in each) / sum(one.planned for _, one in each),
            tuple((layer, one.held, one.asked or 0) for layer, one in each),
        )
        for name, each in found.items()
    )


def _refresh_text(layer: LayerProgress) -> str:
    counts = layer.refresh
    done = counts.stale - counts.left + counts.failed
    return f"{layer.name}: {done:,} of {counts.stale:,} old tiles refreshed, {counts.new:,} of them new"


def _waits(layers: Sequence[LayerProgress], now: float) -> Iterator[str]:
    """A line for each host that is waited for."""
    for waiting in waiting_together([layer for layer in layers if layer.pause is not None]):
        pause = waiting[0].pause
        assert pause is not None
        yield f"{', '.join(la.name for la in waiting)}: {countdown_text(pause, now)}"


def _departure_text(layers: Sequence[LayerProgress], depart_at: float | None) -> str:
    """What will be on board when the crew leaves; "" while that is not known."""
    known = [la.departure for la in layers if la.departure is not None]
    if not known or len(known) < len(layers):
        return ""
    when = f"by {clock_text(depart_at)}" if depart_at is not None else "within the byte limit"
    if all(one.complete for one in known):
        return f"{when} everything will be on board"
    short = dict.fromkeys(a.area for d in known for a in d.areas if any(share < 1 for _, share in a.shares))
    every = {area.area for one in known for area in one.areas}
    whole = f"{len(every) - len(short)} of {counted(len(every), 'area')} complete"
    return f"{when} {whole}, not {', '.join(short)}"


# ------------------------------------------------------------------------------------------------ as lines


def screen_lines(state: FetchState, width: int, height: int, marks: Marks = BLOCKS) -> list[str]:
    """The screen: at most `height` lines of at most `width` columns."""
    whole = f"{state.done:,} of {counted(state.planned, 'tile')}"
    below = [labelled_bar("all", state.share, whole, marks), *wrapped(_end_text(state), width)]
    if not state.counted:
        below = wrapped(_uncounted_text(state), width)
    elif len(state.layers) > 1:
        below += wrapped(", ".join(f"{name} {percent(share)}" for name, share in state.layers), width)
    below += [line for text in state.refresh for line in wrapped(text, width)]
    below += [line for text in shown_hands(state.hands, height) for line in wrapped(text, width, "  ")]
    if state.departure:
        below += wrapped(state.departure, width)[:_DEPARTURE_LINES]
    if state.failed:
        below += wrapped(_failed_text(state.failed), width)
    below += [line for text in state.waits for line in wrapped(text, width, "  ")]
    below = below[: max(height - _ROWS_FOR_AREAS, 1)]
    room = height - len(below) - 1
    above = area_bars(state.areas, width, room, marks) if room > 0 else []
    return [line[:width] for line in (*above, *([""] if above else []), *below)][:height]


def _end_text(state: FetchState) -> str:
    """Bytes, speed, and when it is done."""
    parts = [f"{bytes_text(state.came_bytes)} came"]
    if state.to_come_bytes:
        parts.append(f"about {bytes_text(state.to_come_bytes)} to come")
    parts.append(f"{state.bits_per_second / 1e6:.1f} Mbit/s")
    if state.ends_at is not None and state.left_s:
        parts.append(f"done about {clock_text(state.ends_at)} (in {_about(state.left_s)})")
    elif state.left_s is None:
        parts.append("the end is not known while it waits" if state.waits else "the end is not known yet")
    return ", ".join(parts)


def _uncounted_text(state: FetchState) -> str:
    return f"{counted(state.planned, 'tile')} planned; what is on board is kept, and counted once the fetch starts"


def _about(time_s: float) -> str:
    """A length of time that is only estimated: seconds below a minute, then minutes."""
    if time_s < 60 or time_s >= 3600:
        return duration_text(max(round(time_s), 1))
    return f"{round(time_s / 60)} min"


# ------------------------------------------------------------------------------------------------ as plain lines


def total_line(state: FetchState) -> str:
    """The whole in a sentence, for a pipe."""
    if not state.counted:
        return _uncounted_text(state)
    whole = f"{state.done:,} of {counted(state.planned, 'tile')}"
    return "; ".join([f"{percent(state.share)}, {whole}, {_end_text(state)}", *state.refresh])


def plain_areas(state: FetchState, most: int = _MOST_PLAIN) -> list[str]:
    """A line for each area, for a pipe, and what will be on board at departure."""
    shown, more = shown_areas(state.areas, most)
    lines = [f"{area.name}: {percent(area.share)}, {area.depth_text(_ANY_WIDTH)}" for area in shown]
    return [f"  {line}" for line in (*lines, *more, *filter(None, [state.departure]), *state.hands)]


def _failed_text(count: int) -> str:
    return f"{counted(count, 'tile')} could not be fetched; the next fetch asks for them again"

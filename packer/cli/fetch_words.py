"""What happens in a fetch, in sentences: waits, alarms, what is on board and what will be."""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import datetime

from packer.common.units import counted, duration_text
from packer.fetching.pacing.gate import Pause, PauseKind
from packer.fetching.reports import Alarm, AreaCoverage, Departure, LayerProgress

__all__ = [
    "alarm_text",
    "clock_text",
    "countdown_text",
    "outlook_text",
    "standing_text",
    "waiting_text",
    "waiting_together",
]

_MOST_AREAS = 4


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


def clock_text(seconds: float) -> str:
    """The local time of a moment in seconds since 1970, with its day if that is not today: "14:05", "Thu 05:30"."""
    when = datetime.fromtimestamp(seconds)
    today = when.date() == datetime.now().date()
    return when.strftime("%H:%M" if today else "%a %H:%M")


def outlook_text(layer: str, departure: Departure, depart_at: float | None) -> str:
    """What will be ready when the crew leaves, and what will not, in sentences."""
    when = f"By {clock_text(depart_at)}" if depart_at is not None else "Within the byte limit"
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


def waiting_together(layers: Sequence[LayerProgress]) -> list[list[LayerProgress]]:
    """The layers of each host, which wait together; one that waits for a key waits alone."""
    groups: dict[tuple[str, str], list[LayerProgress]] = {}
    for layer in layers:
        alone = layer.pause is not None and layer.pause.kind is PauseKind.KEY
        groups.setdefault((layer.host, layer.name if alone else ""), []).append(layer)
    return list(groups.values())


def waiting_text(pause: Pause, host: str, now: float | None = None) -> str:
    """What a wait is for, in words; `now` is on the clock of the pause."""
    if pause.kind is PauseKind.SIGN_IN:
        where = f"Open {_page(pause.where)} in a browser" if pause.where else "Open any web page in a browser"
        return (
            f"waiting. Something else answers in place of {host}: {pause.reason}. {where} on this machine and "
            "sign in to the network; the fetch then resumes by itself. Nothing is lost."
        )
    if pause.kind is PauseKind.KEY:
        key = f"the key in {pause.where}" if pause.where else "the key"
        return (
            f"waiting since {clock_text(time.time() - (0.0 if now is None else now - pause.since))}. {host} no longer "
            f"accepts {key}: {pause.reason}. The key-command, the keyring and the desk are asked for another one, and "
            "the fetch then resumes by itself. If there is none of these, press Ctrl-C, set the key, and run the fetch "
            "again. Nothing is lost."
        )
    wait = "" if now is None else f" {duration_text(max(pause.until - now, 0.0))}"
    if pause.kind is PauseKind.LEASES:
        return f"waiting{wait}: {pause.reason}. The fetch then starts by itself."
    if pause.kind is PauseKind.ASKED:
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
    PauseKind.LEASES: "waiting until the hands of an earlier fetch have surely stopped, for",
    PauseKind.SIGN_IN: "waiting for you to sign in to the network, for",
    PauseKind.ASKED: "waiting because the server asked for it, for",
    PauseKind.LINK: "waiting for the network, for",
    PauseKind.KEY: "waiting for a key that the server accepts, for",
    PauseKind.SERVER: "waiting for the server to recover, for",
}


def countdown_text(pause: Pause, now: float) -> str:
    """The wait in one line, for lines that are redrawn; its sentence stands above them."""
    next_s = pause.until - now
    later, now_text = (
        ("starts", "starts now") if pause.kind is PauseKind.LEASES else ("next try", "trying now")
    )
    soon = f"{later} in {duration_text(next_s)}" if next_s >= 1 else now_text
    return f"{_COUNTED[pause.kind]} {duration_text(now - pause.since)}; {soon}"

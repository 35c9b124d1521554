"""What is shown of hands while they fetch: how fast each is, or what it waits for. Pure text."""

from __future__ import annotations

from collections.abc import Sequence

from packer.common.units import counted, duration_text
from packer.fetching.pacing.signals import PauseKind
from packer.fetching.reports import HandProgress

__all__ = ["HandEvents", "hand_lines", "shown_hands"]

_ROWS_BESIDE = 12  # of a screen, for areas and the whole


def hand_lines(hands: Sequence[HandProgress] | None) -> list[str]:
    """A line for each hand: how fast it is, or what it waits for."""
    if hands is None:
        return []
    if not hands:
        return ["no hand has joined yet"]
    return [f"{hand.name}: {_state(hand)}" for hand in hands]


class HandEvents:
    """What changes among hands, as sentences: who joins and leaves, who waits for what."""

    def __init__(self) -> None:
        self._known: dict[str, str] = {}

    def note(self, hands: Sequence[HandProgress] | None) -> list[str]:
        """What has changed since the last call."""
        told: list[str] = []
        now = {hand.name: _kind(hand) for hand in hands or ()}
        for hand in hands or ():
            before = self._known.get(hand.name)
            if before is None:
                told.append(f"{hand.name} has joined.")
            if now[hand.name] != (before or ""):
                told.append(f"{hand.name}: {_state(hand) if now[hand.name] else 'continuing'}.")
        told += [f"{name} has left." for name in self._known if name not in now]
        self._known = now
        return told


def _kind(hand: HandProgress) -> str:
    return "silent" if hand.silent_s else hand.waits or ("failed" if hand.failed else "")


def _state(hand: HandProgress) -> str:
    if hand.silent_s:
        silent = duration_text(max(round(hand.silent_s), 1))
        if hand.given_up_in_s <= 0:
            kept = f", and its connections in {duration_text(round(hand.kept_s))}" if hand.kept_s >= 1 else ""
            return f"not heard for {silent}; others have its tiles{kept}"
        return f"not heard for {silent}; others get its tiles in {duration_text(max(round(hand.given_up_in_s), 1))}"
    if hand.failed:
        return f"asks for nothing more: {hand.failed}"
    if hand.waits:
        return f"waits, {_wait_text(hand)}"
    pace = f"{hand.tiles_per_second:,.0f} tiles/s, {hand.bits_per_second / 1e6:.1f} Mbit/s"
    return f"{pace}, {counted(hand.tiles, 'tile')} so far, {counted(hand.connections, 'connection')}"


def _wait_text(hand: HandProgress) -> str:
    match hand.waits:
        case PauseKind.SIGN_IN:
            return f"its network wants a sign-in; on that machine, open {hand.where or 'any web page'}"
        case PauseKind.LINK:
            return f"its link is down ({hand.reason})"
        case PauseKind.ASKED:
            return f"as the server asked ({hand.reason})"
        case PauseKind.KEY:
            return f"the server takes no key ({hand.reason})"
    return hand.reason


def shown_hands(lines: Sequence[str], height: int) -> list[str]:
    """The lines of hands that a screen has room for, and how many more there are."""
    room = max(height - _ROWS_BESIDE, 2)
    if len(lines) <= room:
        return list(lines)
    return [*lines[: room - 1], f"and {len(lines) - room + 1} more hands"]

"""What the planning machine knows of one hand."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from packer.fetching.hands.shares import NOTHING
from packer.fetching.pacing.cap_shares import Caps
from packer.fetching.reports import HandProgress
from packer.geometry.tileset import Tile

__all__ = ["HandState", "Wait"]

_PACE_OVER_S = 10.0
SILENT_S = 3.0
"""After which a hand that says nothing is dealt nothing more: it would say something twice a second."""


@dataclass(frozen=True, slots=True)
class Wait:
    """Why a hand asks a host nothing just now; `where` is where to sign in, `left_s` the time to its next try."""

    kind: str
    reason: str
    where: str | None
    left_s: float


@dataclass(slots=True)
class HandState:
    """One hand: its `name` as it is shown, and what it last said. Times are on the run's clock; by `ends` others have
    its tiles if it is not heard again. It was `promised` its lease until then.

    `needs`, `shares` and `waits` are by gate, `unstarted` and `failed` by layer. `faults` counts what it sent that was
    not as it has to be. It may take `speed` bits a second, None where there is no limit. `unheard` are the tiles, by
    layer, that were dealt with the answer to a beat of which it has not said that it heard it.
    """

    name: str
    joined: float
    heard: float
    ends: float = 0.0
    promised: float = 0.0
    beats: int = 0
    needs: dict[str, Caps] = field(default_factory=dict)
    shares: dict[str, Caps] = field(default_factory=dict)
    waits: dict[str, Wait] = field(default_factory=dict)
    unstarted: dict[str, int] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    speed: float | None = None
    unheard: dict[int, dict[str, list[Tile]]] = field(default_factory=dict)
    orders: int = 0
    faults: int = 0
    tiles: int = 0
    _marks: deque[tuple[float, int, int]] = field(default_factory=deque)

    def came(self, now: float, tiles: int, size_bytes: int) -> None:
        """So many tiles came from it, with so many bytes."""
        self.tiles += tiles
        self._marks.append((now, tiles, size_bytes))

    def pace(self, now: float) -> tuple[float, float]:
        """Tiles and bytes a second of late."""
        while self._marks and now - self._marks[0][0] > _PACE_OVER_S:
            self._marks.popleft()
        over_s = max(min(_PACE_OVER_S, now - self.joined), 1.0)
        return sum(m[1] for m in self._marks) / over_s, sum(m[2] for m in self._marks) / over_s

    def silent(self, now: float) -> bool:
        """Whether it has said nothing for longer than it would."""
        return now - self.heard > SILENT_S

    def progress(self, now: float) -> HandProgress:
        """What is shown of it."""
        tiles_s, bytes_s = self.pace(now)
        silent_s = now - self.heard if self.silent(now) else 0.0
        wait = next(iter(self.waits.values()), None)
        return HandProgress(
            self.name,
            self.tiles,
            tiles_s,
            bytes_s * 8,
            sum(share.connections for share in self.shares.values()),
            silent_s,
            max(self.ends - now, 0.0),
            "" if wait is None else wait.kind,
            "" if wait is None else wait.reason,
            "" if wait is None else wait.where or "",
            next(iter(self.failed.values()), ""),
            sum(share.starts for share in self.shares.values()),
        )

    def share(self, gate: str) -> Caps:
        """What it may use of a gate's caps."""
        return self.shares.get(gate, NOTHING)

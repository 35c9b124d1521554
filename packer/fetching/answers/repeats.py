"""Pictures that come for many tiles: they may say "no data", "blocked" or "over quota" in place of a map."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from packer.geometry.tileset import Tile

__all__ = ["RepeatDetector"]

_LATEST = 125  # tiles
_MANY, _SHARE = 25, 0.2  # of the same image: fewer are chance, such as a lake or an empty sheet


@dataclass(slots=True)
class _Repeated:
    example: Tile
    tiles: int


@dataclass(slots=True)
class RepeatDetector:
    """Notices an image that comes for many of the latest tiles. Memory is bounded by those and by the alarms."""

    _latest: deque[tuple[bytes, Tile]] = field(default_factory=deque)
    _counts: dict[bytes, int] = field(default_factory=dict)
    _alarms: dict[bytes, _Repeated] = field(default_factory=dict)

    def note(self, tile: Tile, digest: bytes) -> None:
        """Note a tile that came; its hash is SHA-256."""
        if digest in self._alarms:
            self._alarms[digest].tiles += 1
        self._latest.append((digest, tile))
        self._counts[digest] = self._counts.get(digest, 0) + 1
        if len(self._latest) > _LATEST:
            gone = self._latest.popleft()[0]
            self._counts[gone] -= 1
            if not self._counts[gone]:
                del self._counts[gone]
        count = self._counts[digest]
        if count >= _MANY and count >= _SHARE * len(self._latest) and digest not in self._alarms:
            first = next(t for d, t in self._latest if d == digest)
            self._alarms[digest] = _Repeated(first, count)

    def alarms(self) -> list[tuple[str, int, Tile]]:
        """Images that gave an alarm: SHA-256 in hex, at how many tiles of this run, and the first of them."""
        return [(digest.hex(), seen.tiles, seen.example) for digest, seen in self._alarms.items()]

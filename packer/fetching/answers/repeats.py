"""An eye on pictures that come again and again: a server's "no data", "blocked" or "quota" in place of a map."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from packer.geometry.tileset import Tile

__all__ = ["Repeats"]

_LATELY = 125  # tiles
_MANY, _SHARE = 25, 0.2  # of the same image: fewer are chance, such as a lake or an empty sheet


@dataclass(slots=True)
class _Repeated:
    example: Tile
    tiles: int


@dataclass(slots=True)
class Repeats:
    """Memory is bounded by what came lately and by the few images that gave an alarm."""

    _lately: deque[tuple[bytes, Tile]] = field(default_factory=deque)
    _counts: dict[bytes, int] = field(default_factory=dict)
    _alarms: dict[bytes, _Repeated] = field(default_factory=dict)

    def saw(self, tile: Tile, digest: bytes) -> None:
        """Note a tile that came; its hash is SHA-256."""
        if digest in self._alarms:
            self._alarms[digest].tiles += 1
        self._lately.append((digest, tile))
        self._counts[digest] = self._counts.get(digest, 0) + 1
        if len(self._lately) > _LATELY:
            gone = self._lately.popleft()[0]
            self._counts[gone] -= 1
            if not self._counts[gone]:
                del self._counts[gone]
        count = self._counts[digest]
        if count >= _MANY and count >= _SHARE * len(self._lately) and digest not in self._alarms:
            first = next(t for d, t in self._lately if d == digest)
            self._alarms[digest] = _Repeated(first, count)

    def alarms(self) -> list[tuple[str, int, Tile]]:
        """Images that gave an alarm: SHA-256 in hex, at how many tiles of this run, and the first of them."""
        return [(digest.hex(), seen.tiles, seen.example) for digest, seen in self._alarms.items()]

"""Answers in a row that say something of a whole layer, and not of a tile."""

from __future__ import annotations

import math

from packer.geometry.tileset import Tile

__all__ = ["KeyWatch", "PageRow", "Unreached"]


class PageRow:
    """Sign-in pages in a row, `count` of them, about which the host is asked first after `ask_at`."""

    def __init__(self, ask_at: int) -> None:
        self.count = 0
        self._ask_at = ask_at

    def another(self) -> bool:
        """One more has come; whether it is time to ask about them. A sign-in may take hours: few questions in all."""
        self.count += 1
        if self.count != self._ask_at:
            return False
        self._ask_at *= 2
        return True


class Unreached:
    """Requests of a layer that reached no server, while other servers behind its gate answer: if those answer time and
    again between this layer's failures, and its own never does, its requests would hold theirs up to the end."""

    def __init__(self) -> None:
        self._at: float | None = None  # when the last of them started
        self._passed_over = 0

    def another(self, started: float, last_success: float) -> int:
        """One more; how often by now another server answered between two of them."""
        before, self._at = self._at, started
        self._passed_over += before is not None and last_success > before
        return self._passed_over


class KeyWatch:
    """Has a layer's key ended? Told of the tiles that came and of the answers 401 and 403, each with when its request
    started on the run's clock.

    401 says so (RFC 9110, section 15.5.2). 403 may be the word for a single tile, as where a store of files says so of
    all that it does not have: only several in a row speak of the key, and none does where a tile has come after such an
    answer by the same key. `came` holds once the layer has given a tile; before that a key is wrong, and has not ended.
    `ended` holds from when it is known that the key has ended until a tile comes.
    """

    def __init__(self, *, came: bool = False) -> None:
        self.came, self.ended = came, False
        self._row: set[Tile] = set()
        self._latest, self._own_word = -math.inf, False

    def tile_came(self, started: float) -> None:
        """A tile came."""
        if self._row and started > self._latest:
            self._own_word = not self.ended
        self._row.clear()
        self.came = True

    def refused(self, tile: Tile, status: int, started: float) -> bool | None:
        """A tile was refused: whether that has shown that the key has ended, None if it says nothing of the key."""
        if not self.came or status not in (401, 403) or (status == 403 and self._own_word):
            return None
        if self.ended:
            return True
        again = tile in self._row
        if again and status == 403:  # too few are left for a row: then it is the tile's
            return None
        self._row.add(tile)
        self._latest = max(self._latest, started)
        self.ended = again or len(self._row) >= _ENDED[status]
        return self.ended

    def over(self) -> None:
        """A tile has come by a request that started after the key had ended."""
        self.ended = False
        self._row.clear()
        self._latest = -math.inf


_ENDED = {401: 2, 403: 5}  # refused tiles in a row, with no tile between them

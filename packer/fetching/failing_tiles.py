"""Tiles that have failed and not come yet: how often, and when each is asked for again if it is set apart."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from packer.fetching.actions import Failure
from packer.geometry.tileset import Tile

__all__ = ["FailingTiles"]

_FIRST_S = 1.0
_LONGEST_S, _LONGEST_OF_FEW_S = (
    40.0,
    10.0,
)  # where attempts count they are few, and somebody waits for the end
_WRONG_AGAIN_S = (
    15.0,
    60.0,
)  # the waits before wrong content is asked about again; from experience, no source
_APART_FROM = 2  # failures: one alone may be chance
_MANY_APART = 3  # so many tiles that failed twice and have not come: then one failure is enough


class FailingTiles:
    """Counts the failures of tiles that have not come yet, whatever was at fault. `chance` gives numbers from 0 up to
    1."""

    def __init__(self, chance: Callable[[], float]) -> None:
        self._chance = chance
        self._failures = Counter[Tile]()
        self._wrong: dict[Tile, int] = {}  # how often wrong content was believed
        self._repeated = 0  # tiles among them that failed twice or more

    def __contains__(self, tile: Tile) -> bool:
        return tile in self._failures

    def failed(self, tile: Tile, *, silent: bool) -> Failure:
        """The tile failed once more; `silent` holds if its request ran into its time limit."""
        self._failures[tile] = times = self._failures[tile] + 1
        self._repeated += times == _APART_FROM
        return Failure(times, silent)

    def came(self, tile: Tile) -> bool:
        """The tile came; whether it had failed before."""
        times = self._failures.pop(tile, 0) if self._failures else 0
        self._repeated -= times >= _APART_FROM
        return times > 0

    def apart_s(self, failed: Failure, attempts: int, *, counts: bool) -> float | None:
        """After how many seconds a tile that is set apart is asked for again, None if it is not. So many `attempts`
        count against it; `counts` is whether the last one does."""
        apart_from = _APART_FROM if self._repeated < _MANY_APART else 1
        if failed.times < apart_from and not (failed.silent and counts):
            return None
        # Chance alone would give next to nothing at times: half of the distance is sure.
        distance_s = min(_FIRST_S * 2.0 ** min(attempts or failed.times, 10), _LONGEST_S)
        if attempts:
            distance_s = min(distance_s, _LONGEST_OF_FEW_S)
        return distance_s * (0.5 + 0.5 * self._chance())

    def was_wrong(self, tile: Tile) -> bool:
        """Whether wrong content came for the tile and was believed."""
        return tile in self._wrong

    def wrong_again_s(self, tile: Tile) -> float | None:
        """Wrong content for the tile is believed: after how many seconds to ask again, None if often enough."""
        times = self._wrong.get(tile, 0)
        if times == len(_WRONG_AGAIN_S):
            return None
        self._wrong[tile] = times + 1
        return _WRONG_AGAIN_S[times] * (1.0 + 0.1 * self._chance())

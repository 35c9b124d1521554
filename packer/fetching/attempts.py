"""When a tile that failed is asked for again, and when it is given up for this run. Pure: times are arguments."""

from __future__ import annotations

from collections.abc import Callable

from packer.fetching.actions import AskAboutTile, NoteTrouble, RetryAt
from packer.fetching.failing_tiles import FailingTiles
from packer.fetching.pacing.limits import RetryBudget
from packer.fetching.pacing.retries import Retries

__all__ = ["Attempts"]

_FIRST_S, _LONGEST_S = 0.5, 20.0


class Attempts:
    """The attempts that the tiles of one layer have. `chance` gives numbers from 0 up to 1."""

    def __init__(self, retry_budget: RetryBudget, failing: FailingTiles, chance: Callable[[], float]) -> None:
        self._retry_budget, self._failing = retry_budget, failing
        self._retries = Retries(_FIRST_S, _LONGEST_S, chance)

    def after(self, question: AskAboutTile, now: float, *, counts: bool) -> RetryAt | NoteTrouble:
        """What becomes of a tile that has failed as `question` says; `counts` is whether that counts against it."""
        failed = question.failed
        attempts = question.attempts + counts
        enough = self._retry_budget.enough(question.least)
        few = self._retry_budget.enough_beside_sample() if question.spent else enough
        if self._retries.enough(attempts, min(few, enough)):
            return NoteTrouble(question.kind, question.reason, asked_less=attempts < enough)
        if (apart_s := self._failing.apart_s(failed, attempts, counts=counts)) is not None:
            return RetryAt(now + apart_s, attempts, apart=True)
        return RetryAt(now + self._retries.wait_s(max(attempts, 1)), attempts)

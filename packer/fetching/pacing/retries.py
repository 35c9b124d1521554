"""The retry rules: when a failed tile is asked for again, and when it has failed often enough.

The rules are tenacity's. Its own loop is not used, since it would keep a worker asleep between two attempts:
a failed tile goes back into the queue with the time that these rules give, and the worker takes another one.
"""

from __future__ import annotations

from collections.abc import Callable

from tenacity import RetryCallState, Retrying, stop_after_attempt
from tenacity.wait import wait_exponential

__all__ = ["Retries"]


class _FullJitter(wait_exponential):
    """Anywhere from nothing to what the exponential rule says.

    Common practice; the name is from M. Brooker, "Exponential Backoff and Jitter", 2015 (from memory).
    """

    def __init__(self, first_s: float, longest_s: float, chance: Callable[[], float]) -> None:
        super().__init__(multiplier=first_s, max=longest_s)
        self._chance = chance

    def __call__(self, retry_state: RetryCallState) -> float:
        return self._chance() * super().__call__(retry_state)


class Retries:
    """Attempts that start with a wait of up to `first_s` seconds, doubled each time up to `longest_s`.

    `chance` gives numbers from 0 up to 1.
    """

    def __init__(self, first_s: float, longest_s: float, chance: Callable[[], float]) -> None:
        self._rules = Retrying(wait=_FullJitter(first_s, longest_s, chance))

    def wait_s(self, attempt: int) -> float:
        """Seconds from the failure of the attempt of this number, which counts from 1, to the next one."""
        return float(self._rules.wait(self._after(attempt)))

    def enough(self, attempts: int, most: int) -> bool:
        """Whether after so many failed attempts there is no further one, where `most` are made."""
        return attempts > 0 and bool(stop_after_attempt(most)(self._after(attempts)))

    def _after(self, attempt: int) -> RetryCallState:
        state = RetryCallState(self._rules, None, (), {})
        state.attempt_number = attempt
        return state

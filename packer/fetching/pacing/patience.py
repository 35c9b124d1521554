"""How long an answer may take: learnt from what this host usually takes, as plain arithmetic on times."""

from __future__ import annotations

__all__ = ["LEAST_S", "LONGEST_S", "Patience"]

LONGEST_S = 60.0
_LONGEST_ALONE_S = 240.0  # where one request at a time is all that the link can carry
LEAST_S = 5.0  # a server that draws a tile on demand takes seconds; from experience, no source
_LEAST_LOOK_S = 0.5
_TIMES_USUAL, _LOOK_TIMES_USUAL = 10.0, 4.0
_KNOWN_FROM = 8  # answers
_HUNG_FOR = 64  # answers without a silent tile between them, until silence is no longer expected
_MOST_BACKOFF = 16.0
_LATE_IN_A_ROW = 3  # requests, before they speak of a slow link and not of some tiles


class Patience:
    """Time limits for requests to one host.

    The usual time and its spread are smoothed as a retransmission timer smooths round trips, and a row of requests that
    ran out of time doubles the limit until an answer comes (RFC 6298, sections 2 and 5.5). So a link that has become
    slow costs a few requests and not every one.

    While some tiles get no answer and others do, a first request has to be short: else the silent tiles hold every
    connection, and the sound ones wait behind them. Such a short look counts for nothing but the order of work.
    """

    def __init__(self) -> None:
        self._usual_s = self._spread_s = 0.0
        self._answers = self._hung = self._late_in_a_row = 0
        self._backoff = 1.0

    def answered(self, took_s: float) -> None:
        """A whole answer came after `took_s`."""
        if self._answers == 0:
            self._usual_s, self._spread_s = took_s, took_s / 2
        else:
            self._spread_s += 0.25 * (abs(self._usual_s - took_s) - self._spread_s)
            self._usual_s += 0.125 * (took_s - self._usual_s)
        self._answers += 1
        self._hung -= self._hung > 0
        self._backoff, self._late_in_a_row = 1.0, 0

    def timed_out(self) -> None:
        """A request ran into its limit, and nothing shows that the link was sound."""
        self._late_in_a_row += 1
        if self._late_in_a_row >= _LATE_IN_A_ROW:
            self._backoff = min(2 * self._backoff, _MOST_BACKOFF)

    def hung(self) -> None:
        """A tile got no answer in time while others did."""
        self._hung = _HUNG_FOR

    @property
    def known(self) -> bool:
        """Whether enough answers have come to know the usual time."""
        return self._answers >= _KNOWN_FROM

    @property
    def expects_silence(self) -> bool:
        """Whether some tile of late got no answer while others did."""
        return self._hung > 0

    @property
    def shortest_look_s(self) -> float:
        """The limit of a look at a tile of whose like many were waited for in vain, in seconds: as `look_s`, whatever
        was late in a row."""
        return self._within(_LEAST_LOOK_S, _LOOK_TIMES_USUAL, LONGEST_S, backoff=1.0)

    @property
    def look_s(self) -> float:
        """The limit of a short first look, in seconds."""
        return self._within(_LEAST_LOOK_S, _LOOK_TIMES_USUAL, LONGEST_S)

    def deadline_s(self, *, alone: bool) -> float:
        """The limit of a request, in seconds. `alone` holds where only one may be under way at once."""
        longest_s = _LONGEST_ALONE_S if alone else LONGEST_S
        return self._within(LEAST_S, _TIMES_USUAL, longest_s) if self.known else longest_s

    def _within(self, least_s: float, times: float, longest_s: float, backoff: float | None = None) -> float:
        usual_s = self._usual_s + 4 * self._spread_s
        return min(max(least_s, times * usual_s) * (backoff or self._backoff), longest_s)

"""The options of `lastbar fetch` as the planner wrote them, and what they come to."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from packer.common.units import bits_per_second, seconds, size_bytes
from packer.errors import InputError
from packer.fetching.departure import departure_time
from packer.fetching.pacing.speed_limit import SpeedLimit
from packer.fetching.reports import Options
from packer.fetching.transports import TransportName

__all__ = ["FetchOptions"]


@dataclass(frozen=True, slots=True)
class FetchOptions:
    """The texts of the options; None where one was not given.

    `depart` and `until` are times of day such as "05:30", `time_limit` and `give_up_after` lengths of time such as
    "45m", `max_bytes` a size, `at_most` a speed, `refresh_older_than` the age, such as "30d", from which a stored tile
    is refreshed, and `hands` says who fetches.
    """

    depart: str | None = None
    time_limit: str | None = None
    max_bytes: str | None = None
    give_up_after: str | None = None
    refresh_older_than: str | None = None
    at_most: str | None = None
    until: str | None = None
    ask_absent_again: bool = False
    let_sleep: bool = False
    transport: TransportName | None = None
    hands: str | None = None

    def read(self, store: Path | None) -> Options:
        """What they come to, now. Raises InputError for one that cannot be read, or that another one excludes."""
        return Options(
            store,
            _seconds("--give-up-after", self.give_up_after),
            self.ask_absent_again,
            self.transport,
            depart_at=_depart_at(self.depart, self.time_limit),
            for_s=_for_s(self.time_limit),
            max_bytes=_bytes(self.max_bytes),
            log=True,
            refresh_older_s=_seconds("--refresh-older-than", self.refresh_older_than),
            keep_awake=not self.let_sleep,
            speed_limit=_speed_limit(self.at_most, self.until),
        )


def _seconds(option: str, text: str | None) -> float | None:
    try:
        return None if text is None else seconds(text)
    except ValueError as fault:
        raise InputError(f"{option} {text}: {fault}.") from None


def _bytes(text: str | None) -> int | None:
    try:
        return None if text is None else size_bytes(text)
    except ValueError as fault:
        raise InputError(f"--max-bytes {text}: {fault}.") from None


def _speed_limit(at_most: str | None, until: str | None) -> SpeedLimit:
    if at_most is None:
        if until is not None:
            raise InputError("--until says how long --at-most holds. Give both, or neither.")
        return SpeedLimit()
    try:
        speed = bits_per_second(at_most)
    except ValueError as fault:
        raise InputError(f"--at-most {at_most}: {fault}.") from None
    return SpeedLimit(speed, _moment("--until", until))


def _moment(option: str, text: str | None) -> float | None:
    try:
        return None if text is None else departure_time(text, datetime.now())
    except ValueError as fault:
        raise InputError(f"{option} {text}: {fault}.") from None


def _depart_at(depart: str | None, time_limit: str | None) -> float | None:
    if depart is not None and time_limit is not None:
        raise InputError("--depart and --for both say when to stop. Give one of them.")
    return _moment("--depart", depart)


def _for_s(time_limit: str | None) -> float | None:
    for_s = _seconds("--for", time_limit)
    if for_s is not None and for_s <= 0:
        raise InputError(f"--for {time_limit}: it should be longer than 0, for example 45m.")
    return for_s

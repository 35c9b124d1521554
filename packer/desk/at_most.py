"""How much of the link the fetches of the desk may take, which can be changed while one runs."""

from __future__ import annotations

import time
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from packer.common.units import bits_per_second
from packer.errors import InputError
from packer.fetching.departure import departure_time
from packer.fetching.pacing.speed_limit import SpeedLimit

__all__ = ["at_most_facts", "set_at_most"]


def set_at_most(limit: SpeedLimit, asked: Mapping[str, Any]) -> None:
    """Take `speed`, such as "2 Mbit", up to `until`, such as "23:00"; an empty speed lifts the limit. Machines that
    fetch as well keep to it together.

    Raises InputError for what cannot be read; the limit is then as it was.
    """
    speed, until = asked.get("speed") or None, asked.get("until") or None
    if not isinstance(speed, str | None) or not isinstance(until, str | None):
        raise InputError('A speed is a text such as "2 Mbit", and its end one such as "23:00".')
    bits = ends = None
    try:
        if speed is not None:
            bits = bits_per_second(speed)
            ends = None if until is None else departure_time(until, datetime.now())
    except ValueError as fault:
        raise InputError(
            f"At most {speed}{f' until {until}' if until else ''} cannot be used: {fault}."
        ) from None
    limit.until, limit.bits_per_second = ends, bits


def at_most_facts(limit: SpeedLimit) -> dict[str, Any] | None:
    """What the page shows of the limit; None where there is none, or none any more."""
    allowed = limit.at(time.time())
    return None if allowed is None else {"bits_per_second": round(allowed), "until": limit.until}

"""Further axes of a service's layers, such as the time: what values there are, and which one is meant.

WMS (06-042, annexes C and D) and WMTS (07-057r7, clause 6.1.4) write values as a list, WMS also spans from/to/step.
Moments are texts of ISO 8601 from the year down, so that the latest is the greatest.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from packer.sources.offer import OfferError, quoted

__all__ = [
    "LATEST",
    "NO_WISH",
    "Dimension",
    "DimensionWish",
    "chosen_values",
    "split_values",
]

LATEST = "latest"
_TIME_NAMES = ("time", "date", "datetime")
_MOST_NAMED = 6
_LONGEST = 200


@dataclass(frozen=True, slots=True)
class Dimension:
    """One axis of a layer. `values` are single values and spans as the service writes them, in its order."""

    name: str
    values: tuple[str, ...] = ()
    default: str | None = None

    @property
    def is_time(self) -> bool:
        """Whether it is the one that a date chooses from."""
        return self.name.lower() in _TIME_NAMES

    @property
    def latest(self) -> str | None:
        """The greatest value, of a span its end; the default where no values are listed."""
        ends = [value.split("/")[1] if value.count("/") in (1, 2) else value for value in self.values]
        return max((end for end in ends if end and end != "current"), default=self.default)

    @property
    def fixed_default(self) -> str | None:
        """The default, or the only value, where it is a moment and not "current"."""
        value = self.default or (self.values[0] if len(self.values) == 1 else None)
        return None if value is None or "/" in value or not value[:1].isdigit() else value

    def offers(self, value: str) -> bool | None:
        """Whether a value is one of those listed; None where no list can tell."""
        if not self.values or any("/" in one for one in self.values):
            return None
        return value in self.values

    def matching(self, date: str) -> str | None:
        """The one listed value that a day stands for: itself, or the only moment of that day. None without any."""
        if date in self.values:
            return date
        within = [one for one in self.values if one.startswith(date) and "/" not in one]
        return within[0] if len(within) == 1 else None


@dataclass(frozen=True, slots=True)
class DimensionWish:
    """What the brief asks of a layer's axes: a date, "latest" or None; other axes by name; and the date that was
    found for "latest" before."""

    date: str | None = None
    others: tuple[tuple[str, str], ...] = ()
    resolved: str | None = None


NO_WISH = DimensionWish()


def _time(dimensions: Iterable[Dimension]) -> Dimension | None:
    """The axis that a date chooses from."""
    return next((one for one in dimensions if one.is_time), None)


def chosen_values(
    dimensions: Mapping[str, Dimension], wish: DimensionWish, *, must_name: bool
) -> tuple[dict[str, str], str | None, str | None]:
    """The value to ask for on each axis that needs one, the date among them, and a later one if there is one.

    `must_name` holds where the service wants a value for every axis; else those without a wish are left to it.
    Raises OfferError for a wish that the layer does not have.
    """
    known = {name.lower(): one for name, one in dimensions.items()}
    wanted = {name.lower(): value for name, value in wish.others}
    for name in wanted:
        if name not in known:
            raise OfferError(f"the layer has no dimension {quoted(name)}; it has {_listed(dimensions)}")
    chosen = {}
    date = newer = None
    time = _time(dimensions.values())
    if wish.date is not None and time is None:
        raise OfferError(f"the layer has no dimension of time for a date; it has {_listed(dimensions)}")
    for low, one in known.items():
        if one is time and low not in wanted:
            date, newer = _dated(one, wish)
            if date is not None or must_name:
                chosen[one.name] = date or _default(one)
        elif low in wanted:
            chosen[one.name] = _listed_value(one, wanted[low])
        elif must_name or one.default is None:
            chosen[one.name] = _default(one)
    if time is not None and date is None:
        date = chosen.get(time.name)
    for value in chosen.values():
        if len(value) > _LONGEST or not value.isprintable():
            raise OfferError("a value of its dimensions is longer than any should be, or not on one line")
    return chosen, date, newer


def _dated(time: Dimension, wish: DimensionWish) -> tuple[str | None, str | None]:
    """The date to ask for, and a newer one. Without a wish it is the service's default, unless that moves by itself."""
    if wish.date not in (None, LATEST):
        return _listed_value(time, time.matching(wish.date or "") or wish.date or ""), None
    now = time.latest if wish.date == LATEST else time.fixed_default
    if now is None and wish.date == LATEST:
        raise OfferError(f"its dimension {quoted(time.name)} lists no date, so that none is the latest")
    if now is None or wish.resolved in (None, now):
        return now, None
    if time.offers(wish.resolved or "") is False:
        raise OfferError(
            f"it no longer has {quoted(wish.resolved or '')}, the date of the tiles that this layer began with; now it "
            f"has {quoted(now)}. Give the layer another name to fetch that one"
        )
    return wish.resolved, now


def _listed_value(one: Dimension, value: str) -> str:
    if one.offers(value) is False:
        last = [quoted(v) for v in one.values[-_MOST_NAMED:]]
        more = f"{len(one.values) - len(last)} more and " if len(one.values) > len(last) else ""
        raise OfferError(
            f"its dimension {quoted(one.name)} does not have {quoted(value)}; it has {more}{', '.join(last)}"
        )
    return value


def _default(one: Dimension) -> str:
    value = one.default or next((v for v in one.values if "/" not in v), None)
    if value is None:
        raise OfferError(f"its dimension {quoted(one.name)} has no default value")
    return value


def _listed(dimensions: Mapping[str, Dimension]) -> str:
    return ", ".join(map(quoted, list(dimensions)[:_MOST_NAMED])) or "none"


_SEPARATOR = re.compile(r"\s*,\s*")


def split_values(text: str | None) -> tuple[str, ...]:
    """The values of a list as WMS writes it (06-042, annex C.2)."""
    return tuple(value for value in _SEPARATOR.split((text or "").strip()) if value)

"""Days and moments in a brief: see `brief_values`."""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Annotated

from packer.planning import brief_forms as forms
from packer.planning.brief_forms import Check

__all__ = ["Day", "Leaving"]

_LEAVING = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2} [0-9]{2}:[0-9]{2}")


def _day(value: object) -> date:
    if not isinstance(value, date) or isinstance(value, datetime):
        raise ValueError("it should be a day, without quotes, for example 2027-03-01")
    return value


def _leaving(value: object) -> datetime:
    try:
        if isinstance(value, str) and _LEAVING.fullmatch(value):
            return datetime.fromisoformat(value)
    except ValueError:  # there is no such day, or no such time
        pass
    raise ValueError('it should be a day and a time in quotes, for example "2026-12-01 05:30"')


Day = Annotated[date, Check(_day, form=forms.DAY)]
Leaving = Annotated[datetime, Check(_leaving, form=forms.LEAVING)]

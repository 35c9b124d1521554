"""How long an answer is fresh (RFC 9111), and dates as HTTP writes them (RFC 9110)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC
from email.utils import parsedate_to_datetime
from functools import lru_cache

__all__ = ["directives", "fresh_until", "http_date_s"]

# RFC 9111 section 1.2.2: what a delta-seconds too large to hold is taken for.
_MAX_DELTA_S = 2_147_483_648


def fresh_until(headers: Mapping[str, str], now_s: float) -> int | None:
    """Until when an answer received at `now_s` is fresh, in unix seconds (RFC 9111 section 4.2).

    max-age, else Expires minus Date, else a tenth of the time since Last-Modified; each minus Age. Doubled or
    invalid values make it stale at once (4.2.1), which is `now_s`. s-maxage binds shared caches only, and
    this is a private one. None when there is nothing to work it out from.
    """
    lifetime_s = _lifetime_s(headers, now_s)
    if lifetime_s is None:
        return None
    # Section 5.1: of several values the first counts, and one that is no number is ignored. The apparent age
    # of 4.2.3 is left out, as it allows: it would trust the clock of a planner's computer.
    age = headers.get("age")
    age_s = (_delta_s(age.partition(",")[0].strip()) or 0) if age else 0
    return int(now_s + max(lifetime_s - age_s, 0))


def _lifetime_s(headers: Mapping[str, str], now_s: float) -> float | None:
    said = directives(headers)
    if "no-cache" in said:  # section 5.2.2.4: not to be used without asking, which is what stale means
        return 0
    if "max-age" in said:
        values = said["max-age"]
        return (_delta_s(values[0]) or 0) if len(values) == 1 else 0
    date_s = http_date_s(headers.get("date", ""))
    sent_s = now_s if date_s is None else date_s  # RFC 9110 section 6.6.1
    if "expires" in headers:  # RFC 9111 section 5.3: an invalid date, "0" above all, is a time in the past
        expires_s = http_date_s(headers["expires"])
        return 0 if expires_s is None else expires_s - sent_s
    modified_s = http_date_s(headers.get("last-modified", ""))
    return None if modified_s is None else (sent_s - modified_s) / 10  # section 4.2.2


def _delta_s(text: str) -> float | None:
    return min(float(text), _MAX_DELTA_S) if re.fullmatch(r"[0-9]+", text) else None


_DIRECTIVE = re.compile(r'([^\s,;="]+)\s*(?:=\s*(?:"([^"]*)"|([^\s,"]*)))?')


def directives(headers: Mapping[str, str]) -> dict[str, list[str]]:
    """Cache-Control as name -> values in order (RFC 9111 section 5.2); a value may be quoted."""
    found: dict[str, list[str]] = {}
    if "cache-control" not in headers:
        return found
    for name, quoted, bare in _DIRECTIVE.findall(headers["cache-control"]):
        found.setdefault(name.lower(), []).append(quoted or bare)
    return found


@lru_cache(maxsize=256)  # a server sends few different dates in a second
def http_date_s(text: str) -> float | None:
    """Unix seconds of an HTTP-date in any of its three forms (RFC 9110 section 5.6.7), else None."""
    if text.count(":") != 2:  # one time of day: two dates joined by a repeated header are no date
        return None
    try:
        date = parsedate_to_datetime(text)
        return (date if date.tzinfo else date.replace(tzinfo=UTC)).timestamp()
    except (ValueError, TypeError, IndexError, OverflowError):
        return None

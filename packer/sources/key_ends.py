"""When a key ends, as its own text says: a token or a signed address often has the moment in it.

Read are the `exp` of a JSON Web Token (RFC 7519, section 4.1.4) and a value of the query whose name says that it is an
end, as seconds or milliseconds since 1970 or as a moment of ISO 8601; a short length of time under such a name counts
from the moment that stands beside it. That signed addresses are made so is common practice, no source.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from urllib.parse import unquote, urlsplit

__all__ = ["end_of"]

_TOKEN = re.compile(r"(?<![A-Za-z0-9_-])(eyJ[A-Za-z0-9_-]{4,})\.([A-Za-z0-9_-]{8,})\.[A-Za-z0-9_-]*")
_END = re.compile(
    r"([a-z0-9]+[-_.])*(expir(es|y|ation|e)?|exp|se|end|ends|valid|deadline)([-_.]?(at|on|by|until|to|time|date))?"
    r"|not[-_.]?after|valid[-_.]?(un)?til",
    re.IGNORECASE,
)
_BEGIN = re.compile(r"([a-z0-9]+[-_.])*(date|issued|iat|start|signed|begin)([-_.]?(at|on))?", re.IGNORECASE)
_BASIC = re.compile(r"(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d)Z")
_FIRST_S, _LAST_S = 978_307_200.0, 4_102_444_800.0  # 2001 to 2100
_LONGEST_S = 366 * 86_400.0  # of a length of time


def end_of(texts: Iterable[str]) -> float | None:
    """The earliest end, in seconds since 1970, that stands in addresses, header values or keys; None if none does."""
    return min((end for text in texts for end in _ends(text)), default=None)


def _ends(text: str) -> Iterator[float]:
    for reading in {text, unquote(text)}:
        for token in _TOKEN.finditer(reading):
            if (end := _claim(token[2])) is not None:
                yield end
    try:
        query = urlsplit(text).query if "://" in text else text
    except ValueError:
        return
    pairs = [piece.partition("=")[::2] for piece in re.split(r"[&;]", query) if "=" in piece]
    values = [(name.strip(), unquote(value).strip()) for name, value in pairs]
    begin = next((at for name, value in values if _BEGIN.fullmatch(name) and (at := _moment(value))), None)
    for name, value in values:
        if not _END.fullmatch(name):
            continue
        if (end := _moment(value)) is not None:
            yield end
        elif begin is not None and value.isdecimal() and 0 < int(value[:12]) <= _LONGEST_S:
            yield begin + int(value)


def _claim(part: str) -> float | None:
    """The end in the claims of a token."""
    try:
        claims = json.loads(base64.urlsafe_b64decode(part + "=" * (-len(part) % 4)))
        end = claims["exp"]
    except (ValueError, KeyError, TypeError, RecursionError, binascii.Error):
        return None
    number = isinstance(end, int | float) and not isinstance(end, bool)
    return float(end) if number and _FIRST_S <= end <= _LAST_S else None


def _moment(text: str) -> float | None:
    """Seconds since 1970 of a moment as addresses have it; one without a zone is taken for UTC."""
    if re.fullmatch(r"\d{10}(\.\d+)?", text):
        found = float(text)
    elif re.fullmatch(r"\d{13}", text):
        found = int(text) / 1000
    else:
        basic = _BASIC.fullmatch(text)
        try:
            if basic:
                when = datetime(*map(int, basic.groups()), tzinfo=UTC)  # type: ignore[misc, arg-type]  # six of them
            elif re.match(r"\d{4}-\d\d-\d\dT", text):
                when = datetime.fromisoformat(text.replace(" ", "+"))
            else:
                return None
            found = (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()
        except (ValueError, OverflowError):
            return None
    return found if _FIRST_S <= found <= _LAST_S else None

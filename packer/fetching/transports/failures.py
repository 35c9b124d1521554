"""What both transports judge alike: error numbers, the head of an answer, and what may be said in a log.

Every client words and nests its errors in its own way. The transports sort them into `FailureKind` by what is common to
all: the number the operating system gave, and the phase in which it happened.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Iterable, Mapping
from urllib.parse import urlsplit

from packer.fetching.transports.transport import FailureKind, TransportFailure
from packer.sources.secrecy import Secrets, secrets_of

__all__ = ["DEFAULT_HEADERS", "IDLE_S", "head_failure", "joined", "kind_of_errno", "safe_wording"]

DEFAULT_HEADERS = {"Accept": "*/*", "Accept-Encoding": "gzip"}
"""gzip alone, whatever decoders are installed: it carries a checksum, and every server speaks it."""

IDLE_S = 60.0
"""How long an idle connection is kept: longer than most back-offs, to save a retry the handshake."""

DETAIL_LENGTH = 200
_LONGEST_NUMBER = 18  # digits; more are no size of anything, and reading thousands of them is an error

# The second number of each line is the Windows socket error of the same meaning.
_NO_ROUTE = {
    errno.ENETUNREACH,
    10051,
    errno.EHOSTUNREACH,
    10065,
    errno.ENETDOWN,
    10050,
    errno.EADDRNOTAVAIL,
    10049,
}
_RESET = {errno.ECONNRESET, 10054, errno.ECONNABORTED, 10053, errno.EPIPE, 10058, errno.ENOTCONN, 10057}
_REFUSED = {errno.ECONNREFUSED, 10061}
_TIMED_OUT = {errno.ETIMEDOUT, 10060}

_ADDRESS = re.compile(r"\(?\b[a-z][a-z0-9+.-]*://\S*", re.IGNORECASE)
_LITERAL = re.compile(r"(bytearray\()?\bb(['\"]).*", re.DOTALL)


def kind_of_errno(number: int | None, *, connecting: bool) -> FailureKind | None:
    """The kind of failure behind an operating-system error number, or None if it says nothing certain."""
    if number in _REFUSED:
        return FailureKind.REFUSED
    if number in _NO_ROUTE:
        return FailureKind.NO_ROUTE
    if number in _TIMED_OUT:
        return FailureKind.CONNECT_TIMEOUT if connecting else FailureKind.STALL
    return FailureKind.RESET if number in _RESET else None


def joined(pairs: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Lower-case names; a repeated header joined with ", " in order of arrival (RFC 9110, section 5.3)."""
    headers: dict[str, str] = {}
    for name, value in pairs:
        name = name.lower()
        headers[name] = f"{headers[name]}, {value}" if name in headers else value
    return headers


def head_failure(status: int, headers: Mapping[str, str], limit_bytes: int) -> TransportFailure | None:
    """What is wrong with an answer as far as its head tells, or None."""
    if status < 200:
        return TransportFailure(FailureKind.PROTOCOL, f"status {status} that was not asked for")
    # A client lets a repeated length pass if it is the same each time (RFC 9110, section 8.6).
    length = headers.get("content-length", "").partition(",")[0].strip()
    if length and "transfer-encoding" in headers:
        # RFC 9112, section 6.3: such an answer ought to be handled as an error.
        return TransportFailure(FailureKind.PROTOCOL, "both Content-Length and Transfer-Encoding")
    # A 204 or 304 has no body, whatever length it states (RFC 9112, section 6.3).
    if status in (204, 304) or not (length.isascii() and length.isdecimal()):
        return None
    if len(length) > _LONGEST_NUMBER or int(length) > limit_bytes:
        return TransportFailure(
            FailureKind.TOO_BIG, f"Content-Length {length[:_LONGEST_NUMBER]}, limit {limit_bytes}"
        )
    return None


def safe_wording(wording: str, url: str, headers: Mapping[str, str], proxy: str | None = None) -> str:
    """A client's wording without anything that may hold a key: addresses and quoted bytes go whole, and what is secret
    in this exchange is masked."""
    text = _LITERAL.sub("(bytes)", _ADDRESS.sub("(address)", wording))
    queries = {urlsplit(address).query for address in (url, proxy or "")}
    secrets = secrets_of(filter(None, (url, proxy)), headers) | Secrets.of(queries)
    return " ".join(secrets.scrub(text).split())[:DETAIL_LENGTH]

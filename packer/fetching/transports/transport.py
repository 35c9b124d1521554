"""The one transport out: what the rest of the package knows about the network.

A transport takes an address and answers with what came back, raw, or with a typed failure. It never follows a
redirect, never retries, never decodes a content coding, and knows nothing of tiles: the one retry layer and
all judgement of an answer stand elsewhere.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

__all__ = ["FailureKind", "Response", "Result", "Transport", "TransportFailure"]


class FailureKind(enum.StrEnum):
    """Why no whole answer came back. The first six speak of the link, the rest of one exchange."""

    NAME = "name look-up failed"
    REFUSED = "connection refused"
    NO_ROUTE = "no route to the host"
    CONNECT_TIMEOUT = "no connection in time"
    TLS = "the secure connection failed"
    PROXY = "the proxy failed"
    STALL = "the server fell silent"
    DEADLINE = "the deadline for one tile passed"
    RESET = "the connection broke off"
    SHORT = "the body ended before its announced end"
    PROTOCOL = "the answer is not well-formed HTTP"
    TOO_BIG = "the body is over the limit"


@dataclass(frozen=True, slots=True)
class Response:
    """A whole HTTP answer, exactly as it came.

    `headers` has lower-case names; a repeated header is joined with ", " in order of arrival.
    `body` is the raw payload after transfer coding and before content coding: a gzip body is still gzip.
    """

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def size_bytes(self) -> int:
        """Of the body."""
        return len(self.body)


@dataclass(frozen=True, slots=True)
class TransportFailure:
    """No whole answer. `detail` is the library's own wording, for the log; it never holds the address's
    query, userinfo or a header value. `size_bytes` of a body came all the same, at most."""

    kind: FailureKind
    detail: str
    size_bytes: int = 0


Result = Response | TransportFailure


class Transport(Protocol):
    """One long-lived HTTP client for a whole run."""

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        """GET `url` and give back what came.

        The whole exchange ends within `deadline_s` seconds (DEADLINE otherwise) and the body within
        `limit_bytes` (TOO_BIG otherwise). Never raises for anything the network does.
        If cancelled: the exchange is dropped, its connection is closed or returned whole, and no slot leaks.
        """
        ...

    async def aclose(self) -> None:
        """Close every connection, within two seconds whatever the peer does.

        If cancelled: sockets may be left to the operating system; nothing else is lost.
        """
        ...

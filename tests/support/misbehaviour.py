"""How a faulty server answers, down to the byte: each word of a fault script as pieces to send and an ending.

The faults are those that real links and servers produce; each breaks one rule of RFC 9110, RFC 9112, RFC 1952
or of an image format, and nothing else, so that a client has to notice just that.
"""

from __future__ import annotations

import enum
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from email.utils import formatdate

from tests.support.fault_script import Word

__all__ = ["End", "Flood", "Piece", "Play", "Served", "Trickle", "play", "whole"]


class End(enum.Enum):
    """What becomes of the connection after an answer."""

    KEEP = "wait for the next request"
    FIN = "close in good order"
    RST = "break off"
    HOLD = "fall silent, with the connection open"


@dataclass(frozen=True, slots=True)
class Trickle:
    """Bytes sent one by one, `pace_s` seconds apart."""

    data: bytes
    pace_s: float


@dataclass(frozen=True, slots=True)
class Flood:
    """`size_bytes` of zeros, made as they are sent."""

    size_bytes: int


Piece = bytes | Trickle | Flood


@dataclass(frozen=True, slots=True)
class Play:
    """What goes over the wire; `status` is that of the answer, 0 where there is none to read."""

    status: int
    pieces: tuple[Piece, ...]
    end: End = End.KEEP


@dataclass(frozen=True, slots=True)
class Served:
    """What the server behind would answer. Header names are in any case."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def media_type(self) -> str:
        """The Content-Type, or that of unknown bytes."""
        found = [v for k, v in self.headers.items() if k.lower() == "content-type"]
        return found[0] if found else "application/octet-stream"


_REASONS = {
    200: "OK", 204: "No Content", 302: "Found", 304: "Not Modified", 400: "Bad Request", 403: "Forbidden",
    404: "Not Found", 410: "Gone", 429: "Too Many Requests", 500: "Internal Server Error", 502: "Bad Gateway",
    503: "Service Unavailable", 504: "Gateway Timeout", 511: "Network Authentication Required",
}  # fmt: skip
_HTML = (
    b"<!DOCTYPE html><html><head><title>Welcome to Skarn Hut Wi-Fi</title></head><body><h1>Sign in to go "
    b'online</h1><form action="/sign-in"><input name="room"><button>Sign in</button></form></body></html>\n'
)
_JSON = b'{"error": "quota", "message": "Daily limit reached."}\n'
# An address that no name server knows (RFC 2606), should a client follow it.
_PORTAL = "http://sign-in.invalid/welcome"
_GIF = (
    b"GIF89a\x01\x00\x01\x00\x80\x00\x00\xd6\xd6\xd6\x00\x00\x00!\xf9\x04\x00\x00\x00\x00\x00,\x00\x00\x00\x00"
    b"\x01\x00\x01\x00\x00\x02\x02D\x01\x00;"
)
_HOP = {"connection", "keep-alive", "transfer-encoding", "content-length", "date", "server"}


def _head(status: int, headers: Mapping[str, str]) -> bytes:
    lines = [f"HTTP/1.1 {status} {_REASONS.get(status, 'Status')}"]
    lines += [f"{name}: {value}" for name, value in headers.items()]
    return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")


def whole(served: Served, now_s: float, *, head_only: bool = False) -> Play:
    """A well-formed answer with its Content-Length; 1xx, 204 and 304 have no body (RFC 9110 6.4.1)."""
    headers = {k: v for k, v in served.headers.items() if k.lower() not in _HOP}
    headers["Date"] = formatdate(now_s, usegmt=True)
    if served.status in (204, 304):
        return Play(served.status, (_head(served.status, headers),))
    headers["Content-Length"] = str(len(served.body))
    body = b"" if head_only else served.body
    return Play(served.status, (_head(served.status, headers) + body,))


def _answer(body: bytes, media_type: str, *, status: int = 200, **headers: str) -> Play:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    named |= {"Content-Type": media_type, "Content-Length": str(len(body))}
    return Play(status, (_head(status, named) + body,))


def _with_length(served: Served, length: int, body: bytes, end: End) -> Play:
    head = _head(200, {"Content-Type": served.media_type, "Content-Length": str(length)})
    return Play(200, (head + body,), end)


def _gzip(data: bytes) -> bytes:
    deflate = zlib.compressobj(6, zlib.DEFLATED, 31)
    return deflate.compress(data) + deflate.flush()


def _coded(served: Served, body: bytes) -> Play:
    """A body said to be gzip, with a Content-Length that fits it."""
    return _answer(body, served.media_type, Content_Encoding="gzip")


def _chunked(served: Served, *parts: bytes) -> Play:
    head = _head(200, {"Content-Type": served.media_type, "Transfer-Encoding": "chunked"})
    return Play(200, (head + b"".join(parts),), End.FIN)


def _chunk(data: bytes) -> bytes:
    return b"%x\r\n%b\r\n" % (len(data), data)


def _trickled(served: Served, word: Word) -> Play:
    head = _head(200, {"Content-Type": served.media_type, "Content-Length": str(len(served.body))})
    return Play(200, (head, Trickle(served.body, word.time_s or 0.5)))


def _huge(served: Served, word: Word) -> Play:
    size = word.size_bytes or 100_000_000
    head = _head(200, {"Content-Type": served.media_type, "Content-Length": str(size)})
    return Play(200, (head, Flood(size)))


def _close_cut(served: Served) -> Play:
    """Neither a length nor chunks: the end of the connection is the end of the body, and it comes early."""
    head = _head(200, {"Content-Type": served.media_type, "Connection": "close"})
    return Play(200, (head + _half(served.body),), End.FIN)


def _half(body: bytes) -> bytes:
    return body[: len(body) // 2]


def _bad_crc(data: bytes) -> bytes:
    """The CRC-32 is the eight bytes' first half at a gzip member's end (RFC 1952 2.3.1)."""
    return data[:-8] + bytes([data[-8] ^ 0x01]) + data[-7:]


def _two_members(data: bytes) -> bytes:
    return _gzip(_half(data)) + _gzip(data[len(data) // 2 :])


# Answers that say nothing at all, or the same whatever was asked for.
_FIXED: dict[str, Play] = {
    "drop": Play(0, (), End.FIN),
    "reset": Play(0, (), End.RST),
    "stall": Play(0, (), End.HOLD),
    "garbage": Play(0, (b"\x15\x03\x01 what is this\r\n\r\n",), End.FIN),
    "html": _answer(_HTML, "text/html; charset=utf-8"),
    "511": _answer(_HTML, "text/html; charset=utf-8", status=511),
    "redirect": _answer(b"", "text/html", status=302, Location=_PORTAL),
    "json": _answer(_JSON, "application/json"),
    "204": Play(204, (_head(204, {}),)),
    "304": Play(304, (_head(304, {}),)),
}

# Answers made from the one that the server behind gives.
_SPOILT: dict[str, Callable[[Served], Play]] = {
    "reset-mid": lambda s: _with_length(s, len(s.body), _half(s.body), End.RST),
    "stall-mid": lambda s: _with_length(s, len(s.body), _half(s.body), End.HOLD),
    "short": lambda s: _with_length(s, len(s.body), _half(s.body), End.FIN),
    "long": lambda s: _with_length(s, len(s.body), s.body + b"surplus", End.FIN),
    "no-end": lambda s: _chunked(s, _chunk(s.body)),
    "chunk-cut": lambda s: _chunked(s, _half(_chunk(s.body))),
    "close-cut": _close_cut,
    "gzip-ok": lambda s: _coded(s, _gzip(s.body)),
    "gzip-cut": lambda s: _coded(s, _half(_gzip(s.body))),
    "gzip-crc": lambda s: _coded(s, _bad_crc(_gzip(s.body))),
    "gzip-two": lambda s: _coded(s, _two_members(s.body)),
    "empty": lambda s: _answer(b"", s.media_type),
    "html-as-image": lambda s: _answer(_HTML, s.media_type),
    "wrong-type": lambda s: _answer(_GIF, s.media_type),
    "half": lambda s: _answer(_half(s.body), s.media_type),
    "half-ffd9": lambda s: _answer(_half(s.body) + b"\xff\xd9", s.media_type),
}


def play(word: Word, served: Served, now_s: float, *, head_only: bool = False) -> Play:
    """The answer that a word asks for, given what the server behind would say and the time since 1970.

    `head_only`, for HEAD, leaves out whatever body there would be.
    """
    if word.name == "ok":
        return whole(served, now_s, head_only=head_only)
    acted = _act(word, served, now_s)
    if head_only and acted.pieces and isinstance(acted.pieces[0], bytes):
        head, _, _ = acted.pieces[0].partition(b"\r\n\r\n")
        return Play(acted.status, (head + b"\r\n\r\n",), acted.end)
    return acted


def _act(word: Word, served: Served, now_s: float) -> Play:
    if word.name in _FIXED:
        return _FIXED[word.name]
    if word.name in _SPOILT:
        return _SPOILT[word.name](served)
    if word.name == "trickle":
        return _trickled(served, word)
    if word.name == "huge":
        return _huge(served, word)
    status = int(word.name)
    headers = {}
    if word.time_s:
        when = formatdate(now_s + word.time_s, usegmt=True) if word.as_date else f"{word.time_s:.0f}"
        headers["Retry_After"] = when
    text = f"{status} {_REASONS.get(status, 'Status')}\n".encode()
    return _answer(text, "text/plain; charset=utf-8", status=status, **headers)

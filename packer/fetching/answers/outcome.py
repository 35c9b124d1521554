"""What an answer means for one tile: one vocabulary, decided by one pure function.

    Stored          a whole tile of the right kind, ready for the pack
    ServerHasNone   the server says that there is no such tile (204, 404, 410)
    Unchanged       the stored tile is still the current one (304)
    TryAgain        nothing usable came, and another attempt may help
    WaitSoLong      another attempt may help, but later (429, 503, Retry-After)
    SignIn          someone stands in between and wants a sign-in
    Refused         the server will not serve this request: the planner must act
    WrongContent    something came whole, but it is no tile of this layer
    LinkDown        no server was reached at all

A reason is a clause of at most 100 characters. It is made of our own words, numbers and host names: no query,
no userinfo, no header and no text of a body ever stands in it. Section numbers of RFCs finer than the first
level are cited from memory.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import SplitResult, urlsplit

from packer.content.codings import pack_vector, unwrap
from packer.content.damage import Damaged, NotATile, TooBig, UnaskedCoding
from packer.content.payload import HTML, NOTHING, Kind, Payload, examine, is_truncated
from packer.content.pictures import ENDS_EARLY
from packer.fetching.answers.freshness import directives, fresh_until, http_date_s
from packer.fetching.transports import FailureKind, Response, Result, TransportFailure

__all__ = [
    "MAX_WAIT_S",
    "LinkDown",
    "Outcome",
    "Refused",
    "ServerHasNone",
    "SignIn",
    "Stored",
    "TileRules",
    "TryAgain",
    "Unchanged",
    "WaitSoLong",
    "WrongContent",
    "judge",
]

# A server that asks for more than a day's pause asks for another day's run; from experience, no source.
MAX_WAIT_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Stored:
    """A whole tile. `data` is what the pack holds: for a vector tile its gzip form (MBTiles 1.3).

    `etag` and `modified` are the server's own strings, to be sent back as they are; None where not sent.
    `fresh_until` is in unix seconds, None where the server gave nothing to reckon it from.
    `no_store` tells that the server forbids caches to keep the answer (RFC 9111 section 5.2.2.5). What that
    means for a pack is a question of the layer's terms, not of this answer, so the tile is given even then.
    """

    data: bytes
    kind: Kind
    etag: str | None
    modified: str | None
    fresh_until: int | None
    no_store: bool = False


@dataclass(frozen=True, slots=True)
class ServerHasNone:
    """The server has no such tile; `status` is how it said so (200 for a vector tile that packs nothing)."""

    status: int


@dataclass(frozen=True, slots=True)
class Unchanged:
    """The stored tile is current; fields as in `Stored`, None where the answer does not renew them.

    That the 304 answers a request with conditions, and that `etag` is the stored one, is for the caller to
    see (RFC 9111 section 4.3.4): this module does not know what was asked.
    """

    etag: str | None
    modified: str | None
    fresh_until: int | None


@dataclass(frozen=True, slots=True)
class TryAgain:
    """Another attempt may help."""

    reason: str


@dataclass(frozen=True, slots=True)
class WaitSoLong:
    """Another attempt may help after `seconds` (0 to MAX_WAIT_S); 0 leaves the pause to the pacing."""

    seconds: float
    reason: str


@dataclass(frozen=True, slots=True)
class SignIn:
    """A sign-in stands in between. `where` is a host or a URL without query and userinfo, or None."""

    where: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class Refused:
    """Repeating will not help; the planner must act."""

    reason: str
    status: int


@dataclass(frozen=True, slots=True)
class WrongContent:
    """A whole answer that is no tile of this layer, and would be the same again."""

    reason: str


@dataclass(frozen=True, slots=True)
class LinkDown:
    """No server was reached; says nothing about the tile."""

    fault: FailureKind
    reason: str


Outcome = (
    Stored | ServerHasNone | Unchanged | TryAgain | WaitSoLong | SignIn | Refused | WrongContent | LinkDown
)


@dataclass(frozen=True, slots=True)
class TileRules:
    """What a layer's tiles must be.

    `kind` None accepts any image. `host` is the layer's host with its port, lower case ("[::1]:8080" for an
    IPv6 address). `limit_bytes` bounds the body and its content. `size_px` is the side of an image; None
    accepts any size.
    """

    kind: Kind | None
    host: str
    limit_bytes: int
    size_px: int | None


_LINK = {
    FailureKind.NAME: "the server's name could not be looked up",
    FailureKind.REFUSED: "the server refused the connection",
    FailureKind.NO_ROUTE: "there is no route to the server",
    FailureKind.CONNECT_TIMEOUT: "the server could not be reached in time",
    # RFC 6585: on TLS, a portal that intercepts shows up as a wrong certificate.
    FailureKind.TLS: "the secure connection failed: a sign-in network, a wrong clock or a bad certificate",
    FailureKind.PROXY: "the proxy failed",
}

_REFUSED = {
    401: "the server wants a key or password, or does not accept the one given (401)",
    403: "the server refuses this request (403): check the key, the quota and the terms",
    407: "the proxy wants a sign-in (407): check the proxy settings",
    418: "the server blocks this client (418): write to its operator",
    451: "the server withholds this for legal reasons (451)",
}


def judge(
    reply: Result, rules: TileRules, now_s: float, known_jpeg_px: tuple[int, int] | None = None
) -> Outcome:
    """What `reply` means for the one tile that was asked for; `now_s` is the time of receipt, unix seconds.

    `known_jpeg_px` is the size of an image if the body, as it came, is already known to be a JPEG that is whole
    down to its bits: to find that out takes ten times as long as all the rest, and may be done elsewhere.

    Pure, and raises nothing whatever the server sent. The meaning of each status is that of RFC 9110
    section 15 unless said otherwise beside it.
    """
    if isinstance(reply, TransportFailure):
        return _failed(reply.fault, rules)
    status = reply.status
    if status == 200:
        return _judge_ok(reply, rules, now_s, known_jpeg_px)
    if status in (204, 404, 410):
        return ServerHasNone(status)
    if status == 304:
        headers = reply.headers
        return Unchanged(headers.get("etag"), headers.get("last-modified"), fresh_until(headers, now_s))
    if status == 206:
        return WrongContent("the server sent a part (206) although the whole was asked for")
    if status == 203:
        return WrongContent("a proxy on the way altered the answer (203)")
    if 300 <= status < 400:
        return _redirected(reply, rules)
    if status == 511:  # RFC 6585 section 6
        return SignIn(_login_link(reply.body, anchors=True), "the network wants a sign-in (511)")
    # 408, 421 and 5xx: RFC 9110 sections 15.5.9, 15.5.20 and 15.6; 425: RFC 8470 section 5.2; 429: RFC 6585.
    if status in (408, 421, 425, 429) or 500 <= status < 600:
        return _later(reply, now_s)
    if 400 <= status < 500:
        return Refused(_REFUSED.get(status, f"the server does not accept this request ({status})"), status)
    return TryAgain(f"the server answered with status {status}, which is no answer to this request")


def _failed(fault: FailureKind, rules: TileRules) -> Outcome:
    if fault in _LINK:
        return LinkDown(fault, _LINK[fault])
    if fault is FailureKind.TOO_BIG:
        return _too_big(rules)
    return TryAgain(fault.value)


def _too_big(rules: TileRules) -> WrongContent:
    return WrongContent(f"the answer is over the limit of {rules.limit_bytes} bytes for one tile")


def _later(answer: Response, now_s: float) -> TryAgain | WaitSoLong:
    """RFC 9110 section 10.2.3 defines Retry-After for 503, RFC 6585 section 4 for 429; where a server sends
    it with another status that is worth repeating, it is heeded too, since not to wait helps nobody."""
    status, value = answer.status, answer.headers.get("retry-after")
    reason = f"the server cannot answer just now ({status})"
    if status == 429:
        reason = "the server asks for fewer requests (429)"
    if value is None and status not in (429, 503):
        return TryAgain(reason)
    # A date is the server's: it is reckoned from the server's own time of day, since ours may be wrong.
    sent_s = http_date_s(answer.headers.get("date", ""))
    return WaitSoLong(_wait_s(value or "", now_s if sent_s is None else sent_s), reason)


def _wait_s(value: str, sent_s: float) -> float:
    """Seconds to wait, from delay-seconds or an HTTP-date; 0 for a past date or for what is neither."""
    if re.fullmatch(r"[0-9]+(\s*,\s*[0-9]+)*", value.strip()):  # repeated: the longest binds
        return max(min(float(part), MAX_WAIT_S) for part in value.split(","))
    date_s = http_date_s(value)
    return 0.0 if date_s is None else min(max(date_s - sent_s, 0.0), MAX_WAIT_S)


# -------------------------------------------------------------------------------------- sign-in and redirects


def _split(url: str) -> SplitResult | None:
    """The parts of a URL whose host and port are fit to be shown, else None."""
    try:
        parts = urlsplit(url.strip())
        fit = parts.hostname and re.fullmatch(r"[a-z0-9._:-]{1,80}", parts.hostname)
        return parts if fit and parts.port != 0 else None  # reading `port` raises for an impossible one
    except ValueError:
        return None


def _authority(parts: SplitResult) -> str:
    host = parts.hostname or ""
    host = f"[{host}]" if ":" in host else host
    return host if parts.port is None else f"{host}:{parts.port}"


def _is_own(parts: SplitResult, rules: TileRules) -> bool:
    """Whether a target is the layer's own host; http and https on their usual ports count as one."""
    own = _split(f"//{rules.host}")
    if own is None or parts.hostname != own.hostname:
        return False
    ports = {own.port or 443, parts.port or {"http": 80, "https": 443}.get(parts.scheme, own.port or 443)}
    return len(ports) == 1 or ports == {80, 443}


def _redirected(answer: Response, rules: TileRules) -> SignIn | WrongContent:
    """3xx other than 304 (RFC 9110 section 15.4); Location may be relative (section 10.2.2)."""
    location = answer.headers.get("location", "").strip()
    if not location or answer.status not in (301, 302, 303, 307, 308):
        return WrongContent(f"the server sends on to another address without naming it ({answer.status})")
    target = _split(location)
    if target is None and re.match(r"([a-z][a-z0-9+.-]*:)?//", location, re.IGNORECASE):
        return WrongContent(f"the server sends on to an address that makes no sense ({answer.status})")
    if target is None or _is_own(target, rules):
        return WrongContent(f"the tiles have moved ({answer.status}): put the new address in the brief")
    where = _authority(target)
    return SignIn(where, f"sent on to another host ({answer.status}): a sign-in page, or the layer has moved")


_LINK_PLACES = tuple(
    re.compile(
        tag + rb"""[^>]{0,200}\b""" + name + rb"""\s{0,8}=\s{0,8}["']?\s{0,8}(https?://[^"'<>\s;]{1,500})""",
        re.IGNORECASE,
    )
    for tag, name in ((rb"<meta\s", rb"url"), (rb"<form\s", rb"action"), (rb"<a\s", rb"href"))
)
# A path is shown only if it is as plain as "/guest/login.html": a portal may put the tile's own address, and
# with it a key, into the path it chooses.
_PLAIN_PATH = re.compile(r"(/[A-Za-z._-]{0,20}){1,4}")


def _login_link(body: bytes, *, anchors: bool) -> str | None:
    """The absolute address that a sign-in page refreshes to, posts to or (with `anchors`) links to, without
    its query, fragment and userinfo."""
    for place in _LINK_PLACES[: 3 if anchors else 2]:
        found = place.search(body[:65536])
        parts = _split(found[1].decode("latin-1")) if found else None
        if parts is not None:
            path = parts.path if _PLAIN_PATH.fullmatch(parts.path) else "/"
            return f"{parts.scheme}://{_authority(parts)}{path}"
    return None


# ---------------------------------------------------------------------------------------------- 200


def _judge_ok(
    answer: Response, rules: TileRules, now_s: float, known_jpeg_px: tuple[int, int] | None
) -> Outcome:
    headers, body = answer.headers, answer.body
    quarantine = _framing_doubt(headers, len(body))
    if quarantine is not None:
        return TryAgain(quarantine)
    if len(body) > rules.limit_bytes:
        return _too_big(rules)
    if not body:
        # Some servers mean "nothing here", others are out of breath. Only repeating tells, and the one retry
        # layer knows when to stop; taking it for "has none" could hide a hole in the map.
        return TryAgain("the server sent an empty body")
    data = body
    try:
        data = unwrap(body, headers.get("content-encoding"), rules.limit_bytes)
        known = known_jpeg_px is not None and data is body
        found = Payload(Kind.JPG, known_jpeg_px) if known else examine(data)
    except TooBig:
        return _too_big(rules)
    except UnaskedCoding as error:
        return WrongContent(str(error))
    except Damaged as error:
        return TryAgain(f"damaged on the way: {error}")
    except NotATile as error:
        return _not_a_tile(error.what, data, rules)
    if mismatch := _mismatch(found, rules):
        return mismatch
    if found.kind is Kind.JPG and not known and is_truncated(data):
        return TryAgain(f"damaged on the way: {ENDS_EARLY}")
    return _stored(answer, data, found.kind, now_s)


def _framing_doubt(headers: Mapping[str, str], size_bytes: int) -> str | None:
    """Why the length of the body cannot be trusted, or None. A body without any length ends with the
    connection (RFC 9112 section 6.3 item 8); whether it is whole is then left to its own end mark."""
    length = headers.get("content-length")
    if length is None:
        return None
    if "transfer-encoding" in headers:  # RFC 9112 section 6.3 item 3: ought to be handled as an error
        return "the answer states both a length and a transfer coding"
    if length == str(size_bytes):
        return None
    values = {part.strip() for part in length.split(",")}  # item 5: identical repeats count as one
    value = values.pop()
    if values or not re.fullmatch(r"[0-9]{1,18}", value):
        return "the answer states an impossible length"
    if int(value) != size_bytes:  # RFC 9112 section 8: incomplete
        return f"{size_bytes} of {int(value)} bytes came"
    return None


def _not_a_tile(what: str, data: bytes, rules: TileRules) -> Outcome:
    if what == NOTHING:
        # What was compressed is empty, and its checksum is right. A protobuf message without fields has no
        # bytes, so this is how a server packs a vector tile without layers; no image is empty.
        return ServerHasNone(200) if rules.kind is Kind.PBF else TryAgain("the server sent an empty body")
    if what == HTML:
        where = _login_link(data, anchors=False)
        return SignIn(where, "an HTML page came in place of a tile: most likely a sign-in page")
    return WrongContent(f"the server sent {what} in place of a tile")


def _mismatch(found: Payload, rules: TileRules) -> WrongContent | None:
    kind, want = found.kind.value, rules.kind.value if rules.kind else "an image"
    if found.kind is not rules.kind and (rules.kind is not None or found.kind is Kind.PBF):
        return WrongContent(f"the server sends {kind}, the layer expects {want}: set `format` in the brief")
    if rules.size_px is not None and found.size_px is not None:
        (width, height), side = found.size_px, rules.size_px
        if (width, height) != (side, side):
            return WrongContent(f"the image has {width} x {height} px, the layer expects {side} x {side}")
    return None


def _stored(answer: Response, data: bytes, kind: Kind, now_s: float) -> Stored | TryAgain:
    headers = answer.headers
    if kind is Kind.PBF:
        framed = "content-length" in headers or "transfer-encoding" in headers
        if not framed and data is answer.body and not data.startswith(b"\x1f\x8b"):
            # RFC 9112 section 8. A bare vector tile has no end mark, and may be cut between two layers.
            return TryAgain("nothing proves where this vector tile ends: no length, no compression")
        coding = headers.get("content-encoding", "").strip().lower()
        if coding in ("gzip", "x-gzip") and not data.startswith(b"\x1f\x8b"):
            # Compressed as the pack wants it: doing that again costs most of the time here.
            data = answer.body
        data = pack_vector(data)
    return Stored(
        data,
        kind,
        headers.get("etag"),
        headers.get("last-modified"),
        fresh_until(headers, now_s),
        "no-store" in directives(headers),
    )

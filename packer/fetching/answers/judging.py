"""What an answer means for one tile: `judge`, one pure function from what came to an `Outcome`.

Section numbers of RFCs finer than the first level are cited from memory.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from packer.content.codings import pack_vector, unwrap
from packer.content.damage import Damaged, NotATile, TooBig, UnaskedCoding
from packer.content.payload import HTML, NOTHING, Kind, Payload, examine, is_truncated
from packer.content.pictures import ENDS_EARLY
from packer.fetching.answers.freshness import directives, fresh_until, http_date_s
from packer.fetching.answers.outcome import (
    MAX_WAIT_S,
    LinkDown,
    Outcome,
    Refused,
    RetryAfter,
    ServerHasNone,
    SignIn,
    Stored,
    TileRules,
    TryAgain,
    Unchanged,
    WrongContent,
)
from packer.fetching.answers.service_words import service_words
from packer.fetching.answers.sign_in import login_link, redirected
from packer.fetching.transports import FailureKind, Response, Result, TransportFailure

__all__ = ["judge"]

_MOST_WORDS_BYTES = 64_000

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
        return _failed(reply.kind, rules)
    status = reply.status
    if status == 200:
        return _judge_ok(reply, rules, now_s, known_jpeg_px)
    if status in (204, 404, 410):
        return ServerHasNone(status)
    if status == 304:
        headers = reply.headers
        return Unchanged(headers.get("etag"), headers.get("last-modified"), fresh_until(headers, now_s))
    if status == 206:
        return WrongContent("the server sent a part of a tile (206) although all of it was asked for")
    if status == 203:
        return WrongContent("a proxy on the way altered the answer (203)")
    if 300 <= status < 400:
        return redirected(reply, rules)
    if status == 511:  # RFC 6585 section 6
        return SignIn(login_link(reply.body, anchors=True), "the network wants a sign-in (511)")
    # 408, 421 and 5xx: RFC 9110 sections 15.5.9, 15.5.20 and 15.6; 425: RFC 8470 section 5.2; 429: RFC 6585.
    if status in (408, 421, 425, 429) or 500 <= status < 600:
        return _later(reply, now_s)
    if 400 <= status < 500:
        reason = _REFUSED.get(status, f"the server does not accept this request ({status})")
        return Refused(reason, status, _words(reply))
    return TryAgain(f"the server answered with status {status}, which is no answer to this request")


def _failed(kind: FailureKind, rules: TileRules) -> Outcome:
    if kind in _LINK:
        return LinkDown(kind, _LINK[kind])
    if kind is FailureKind.TOO_BIG:
        return _too_big(rules)
    return TryAgain(kind.value)


def _too_big(rules: TileRules) -> WrongContent:
    return WrongContent(f"the answer is over the limit of {rules.limit_bytes} bytes for one tile")


def _later(response: Response, now_s: float) -> TryAgain | RetryAfter:
    """RFC 9110 section 10.2.3 defines Retry-After for 503, RFC 6585 section 4 for 429; where a server sends
    it with another status that is worth repeating, it is heeded too, since not to wait helps nobody."""
    status, value = response.status, response.headers.get("retry-after")
    reason = f"the server cannot answer just now ({status})"
    if status == 429:
        reason = "the server asks for fewer requests (429)"
    if value is None and status not in (429, 503):
        return TryAgain(reason, _words(response))
    # A date is the server's: it is compared with the server's own time of day, since ours may be wrong.
    sent_s = http_date_s(response.headers.get("date", ""))
    return RetryAfter(_wait_s(value or "", now_s if sent_s is None else sent_s), reason)


def _wait_s(value: str, sent_s: float) -> float:
    """Seconds to wait, from delay-seconds or an HTTP-date; 0 for a past date or for what is neither."""
    if re.fullmatch(r"[0-9]+(\s*,\s*[0-9]+)*", value.strip()):  # repeated: the longest binds
        return max(min(float(part), MAX_WAIT_S) for part in value.split(","))
    date_s = http_date_s(value)
    return 0.0 if date_s is None else min(max(date_s - sent_s, 0.0), MAX_WAIT_S)


# ---------------------------------------------------------------------------------------------- 200


def _judge_ok(
    response: Response, rules: TileRules, now_s: float, known_jpeg_px: tuple[int, int] | None
) -> Outcome:
    headers, body = response.headers, response.body
    wrong = _framing_error(headers, len(body))
    if wrong is not None:
        return TryAgain(wrong)
    if len(body) > rules.limit_bytes:
        return _too_big(rules)
    if not body:
        # Some servers mean "nothing here", others are overloaded. Only repeating tells, and the retry rules
        # know when to stop; taking it for "has none" could hide a hole in the map.
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
    return _stored(response, data, found.kind, now_s)


def _framing_error(headers: Mapping[str, str], size_bytes: int) -> str | None:
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
        return f"only {size_bytes} of {int(value)} bytes came"
    return None


def _words(response: Response) -> str:
    """What a service says in place of a tile, with a status that tells already that it is an error."""
    try:
        body = unwrap(response.body, response.headers.get("content-encoding"), _MOST_WORDS_BYTES)
    except Damaged:
        return ""
    return service_words(body) or ""


def _not_a_tile(what: str, data: bytes, rules: TileRules) -> Outcome:
    if (words := service_words(data)) is not None:
        return WrongContent("the service reports an error", words)
    if what == NOTHING:
        # What was compressed is empty, and its checksum is right. A protobuf message without fields has no
        # bytes, so this is how a server packs a vector tile without layers; no image is empty.
        return ServerHasNone(200) if rules.kind is Kind.PBF else TryAgain("the server sent an empty body")
    if what == HTML:
        where = login_link(data, anchors=False)
        return SignIn(where, "an HTML page came in place of a tile: most likely a sign-in page")
    return WrongContent(f"the server sent {what} in place of a tile")


def _mismatch(found: Payload, rules: TileRules) -> WrongContent | None:
    kind, want = found.kind.value, rules.kind.value if rules.kind else "an image"
    if found.kind is not rules.kind and (rules.kind is not None or found.kind is Kind.PBF):
        return WrongContent(f"the server sends {kind}, the layer expects {want}: set `format` in the brief")
    if rules.size_px is not None and found.size_px is not None:
        (width, height), side = found.size_px, rules.size_px
        asked = (side * rules.block[0] + 2 * rules.gutter_px, side * rules.block[1] + 2 * rules.gutter_px)
        if (width, height) != asked:
            return WrongContent(
                f"the image has {width} x {height} px, the layer expects {asked[0]} x {asked[1]}"
            )
    return None


def _stored(response: Response, data: bytes, kind: Kind, now_s: float) -> Stored | TryAgain:
    headers = response.headers
    if kind is Kind.PBF:
        framed = "content-length" in headers or "transfer-encoding" in headers
        if data is response.body and not data.startswith(b"\x1f\x8b"):
            # RFC 9112 section 8. A bare vector tile has no end mark, and may be cut between two layers.
            if not framed:
                return TryAgain("nothing proves where this vector tile ends: no length, no compression")
            # RFC 9110 section 14.4 gives it no meaning with 200, but a cache that stored a part may leave it there.
            if "content-range" in headers:
                return TryAgain("the answer says of itself that it is a part of a vector tile")
        coding = headers.get("content-encoding", "").strip().lower()
        if coding in ("gzip", "x-gzip") and not data.startswith(b"\x1f\x8b"):
            # Compressed as the pack wants it: doing that again costs most of the time here.
            data = response.body
        data = pack_vector(data)
    return Stored(
        data,
        kind,
        headers.get("etag"),
        headers.get("last-modified"),
        fresh_until(headers, now_s),
        "no-store" in directives(headers),
    )

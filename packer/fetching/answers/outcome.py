"""What an answer may mean for one tile: the outcomes that `judging.judge` decides between.

    Stored          a whole tile of the right kind, ready for the pack
    ServerHasNone   the server says that there is no such tile (204, 404, 410)
    Unchanged       the stored tile is still the current one (304)
    TryAgain        nothing usable came, and another attempt may help
    RetryAfter      another attempt may help, but later (429, 503, Retry-After)
    SignIn          a network on the way wants a sign-in
    SentOn          the server sends each tile on to a host that the brief does not name
    Refused         the server will not serve this request: the planner must act
    WrongContent    something came whole, but it is no tile of this layer
    LinkDown        no server was reached at all

A reason is a clause of at most 100 characters. It is made of our own words, numbers and host names: no query,
no userinfo, no header and no text of a body is ever part of it, since any of them may hold a key. What a service says
of its own error stands apart in `said`, until `hosts.source.Source` has taken keys out of it and joins the two.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from packer.content.payload import Kind
from packer.fetching.transports import FailureKind

__all__ = [
    "MAX_WAIT_S",
    "LinkDown",
    "Outcome",
    "Refused",
    "RetryAfter",
    "SentOn",
    "ServerHasNone",
    "SignIn",
    "Stored",
    "TileRules",
    "TryAgain",
    "Unchanged",
    "WrongContent",
]

# A server that asks for more than a day's pause asks for another day's run; from experience, no source.
MAX_WAIT_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Stored:
    """A whole tile. `data` is what the pack holds: for a vector tile its gzip form (MBTiles 1.3).

    `etag` and `modified` are the server's own strings, to be sent back as they are; None where not sent.
    `fresh_until` is in unix seconds, None where the server gave nothing to work it out from.
    `no_store` says that the server forbids caches to keep the answer (RFC 9111 section 5.2.2.5). What that
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
    """The stored tile is current; fields as in `Stored`, None where the answer gives no new ones.

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
    said: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class RetryAfter:
    """Another attempt may help after `seconds` (0 to MAX_WAIT_S); 0 leaves the pause to the pacing."""

    seconds: float
    reason: str


@dataclass(frozen=True, slots=True)
class SignIn:
    """A network on the way wants a sign-in. `where` is a host or a URL without query and userinfo, or None."""

    where: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class SentOn:
    """The server sends this tile, as each of several others, on to `host`, which the brief does not name."""

    host: str
    reason: str


@dataclass(frozen=True, slots=True)
class Refused:
    """Repeating will not help; the planner must act."""

    reason: str
    status: int
    said: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class WrongContent:
    """A whole answer that is no tile of this layer, and would be the same again."""

    reason: str
    said: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class LinkDown:
    """No server was reached; says nothing about the tile."""

    kind: FailureKind
    reason: str


Outcome = (
    Stored
    | ServerHasNone
    | Unchanged
    | TryAgain
    | RetryAfter
    | SignIn
    | SentOn
    | Refused
    | WrongContent
    | LinkDown
)


@dataclass(frozen=True, slots=True)
class TileRules:
    """What a layer's tiles must be.

    `kind` None accepts any image. `host` is the layer's host with its port, lower case ("[::1]:8080" for an
    IPv6 address). `limit_bytes` bounds the body and its content. `size_px` is the side of a tile; None
    accepts any size. `block` are the columns and rows of tiles that one image shows, and
    `gutter_px` how many pixels it has round them.
    """

    kind: Kind | None
    host: str
    limit_bytes: int
    size_px: int | None
    block: tuple[int, int] = (1, 1)
    gutter_px: int = 0

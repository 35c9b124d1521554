"""What the end of one request says about its host: the events that a gate is told of."""

from __future__ import annotations

import enum
from dataclasses import dataclass

__all__ = ["Failed", "PauseKind", "Signal", "Succeeded", "Throttled", "TileFault", "Unverified"]


class PauseKind(enum.StrEnum):
    """Why requests to a host are held back."""

    LINK = "link"
    SIGN_IN = "sign-in"
    SERVER = "server"
    ASKED = "asked to wait"
    KEY = "key"
    LEASES = "leases"


@dataclass(frozen=True, slots=True)
class Succeeded:
    """The host answered as only it can, such as with a tile, in `size_bytes`."""

    size_bytes: int


@dataclass(frozen=True, slots=True)
class Unverified:
    """An answer came that the host may have given, or somebody in its place."""


@dataclass(frozen=True, slots=True)
class Failed:
    """No proper answer came.

    With a `kind` the failure is the link's and pauses the host at once. Without one it may be the tile's, and
    pauses the host only when every request under way fails too: as the server's trouble if it was `by_server`
    that an answer came at all, else as the link's. `where` is where to sign in, if known. `timed_out` tells of a
    request that ran into its time limit.
    """

    reason: str
    kind: PauseKind | None = None
    where: str | None = None
    by_server: bool = False
    timed_out: bool = False


@dataclass(frozen=True, slots=True)
class TileFault:
    """No whole answer came, but the host answered others meanwhile, or this tile has failed on a sound link before:
    the fault is the tile's. `silent` tells of a request that ran into its time limit."""

    reason: str
    silent: bool = False


@dataclass(frozen=True, slots=True)
class Throttled:
    """The host asks for a wait, of `seconds` or, if that is 0, as long as we think fit.

    `explicit` False is for an answer such as 503 that may be one tile's own trouble: without a time it pauses
    the host only if it is not the only one of late.
    """

    reason: str
    seconds: float = 0.0
    explicit: bool = True


Signal = Succeeded | Unverified | Failed | TileFault | Throttled

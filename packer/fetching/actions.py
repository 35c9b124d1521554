"""What may become of a tile after an answer: what `TilePolicy` decides and `LayerFetcher` carries out.

An `Action` says what to do with the tile. Where the answer alone does not decide, the host is asked about
itself (`AskAbout...`). A `StopLayer` ends the layer.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import NamedTuple

from packer.fetching.answers.outcome import Stored, Unchanged
from packer.fetching.pacing.signals import Signal
from packer.geometry.tileset import Tile

__all__ = [
    "HOLD",
    "HOST_PROVEN",
    "NO_FAILURE",
    "NO_WHOLE_TILE",
    "Action",
    "AskAboutAddress",
    "AskAboutHeld",
    "AskAboutPages",
    "AskAboutTile",
    "Decision",
    "Failure",
    "HeldVerdict",
    "Hold",
    "HostProven",
    "KeepStored",
    "KeyEnded",
    "NoteAbsent",
    "NoteTrouble",
    "Requeue",
    "RetryAt",
    "StopLayer",
    "StopReason",
    "Store",
    "TileAction",
]


@dataclass(frozen=True, slots=True)
class Store:
    """Store the tile; `digest` is the SHA-256 of its data."""

    outcome: Stored
    digest: bytes


@dataclass(frozen=True, slots=True)
class KeepStored:
    """The stored tile is current: keep it, and date it from now."""

    outcome: Stored | Unchanged


@dataclass(frozen=True, slots=True)
class NoteAbsent:
    """Note that the server does not have the tile, as it said by this status."""

    status: int


@dataclass(frozen=True, slots=True)
class NoteTrouble:
    """Give the tile up for this run. The reason is a clause for the planner. `asked_less` holds if it had fewer
    attempts than others, since there are too many of its kind."""

    kind: str
    reason: str
    asked_less: bool = False


@dataclass(frozen=True, slots=True)
class RetryAt:
    """Ask for the tile again at this time on the run's clock; so many attempts count against it by now.

    `apart` sets it apart from the sound tiles: it is asked for again on few connections.
    """

    when: float
    attempts: int
    apart: bool = False


@dataclass(frozen=True, slots=True)
class Requeue:
    """Ask for the tile again as soon as the gate lets it pass: the failure was not the tile's.

    `next_host` asks another of the layer's subdomains, `without_conditions` asks for the tile whatever the stored
    copy is.
    """

    next_host: bool = False
    without_conditions: bool = False


@dataclass(frozen=True, slots=True)
class Hold:
    """The answer waits in quarantine, and its tile with it."""


class Failure(NamedTuple):
    """How a tile has failed: how many times by now, and whether its request ran into its time limit."""

    times: int
    silent: bool


NO_FAILURE = Failure(0, silent=False)


@dataclass(frozen=True, slots=True)
class AskAboutTile:
    """Has the host answered as itself since this time? Then the failure was the tile's.

    `attempts` count against the tile by now, and at least `least` are made; fewer are enough if its zoom is `spent`.
    `by_server` holds where a server
    answered, in good order, that it cannot: where nothing confirms the host, that is believed.
    """

    since: float
    kind: str
    reason: str
    attempts: int
    least: int
    by_server: bool
    failed: Failure = NO_FAILURE
    spent: bool = False


@dataclass(frozen=True, slots=True)
class AskAboutPages:
    """Is the host itself, although page after page comes? Then the layer's address is wrong."""

    since: float
    reason: str


@dataclass(frozen=True, slots=True)
class AskAboutHeld:
    """Is the host itself, so that what it said of the tiles in quarantine is true? `at_end` holds when nothing
    else is left to ask for."""

    since: float
    at_end: bool = False


@dataclass(frozen=True, slots=True)
class AskAboutAddress:
    """Is the layer's address right, although none of its first tiles exists? `count` of them were asked for."""

    since: float
    count: int


@dataclass(frozen=True, slots=True)
class KeyEnded:
    """The server no longer accepts the layer's key: nothing is asked for but a probe until a key works again."""

    reason: str


@dataclass(frozen=True, slots=True)
class HostProven:
    """The host has just answered as only it can: what is held can be settled, and its robots.txt learnt."""


class StopReason(enum.Enum):
    """Why a layer is given up."""

    ONLY_REFUSALS = "answers in a row that were no tiles"
    NO_RESPONSE = "nothing ever came from its server"
    NO_TILE = "the server has never given one tile"
    ANOTHER_HOST = "the server sends each tile on to a host that the brief does not name"
    UNVERIFIED_ABSENCE = "nothing tells whether the server itself says that tiles do not exist"


@dataclass(frozen=True, slots=True)
class StopLayer:
    """Give the layer up; `count` answers or tiles led to it, and `reason` is the last trouble."""

    why: StopReason
    count: int = 0
    reason: str = ""


HOLD, HOST_PROVEN = Hold(), HostProven()
NO_WHOLE_TILE = "no whole tile"  # the kind of trouble of a tile whose host answers, but never with it

TileAction = Store | KeepStored | NoteAbsent | NoteTrouble | RetryAt | Requeue | Hold
Action = TileAction | AskAboutTile


class Decision(NamedTuple):
    """What to report to the gate, what to do with the tile, and what follows for the layer."""

    signal: Signal
    action: Action
    then: HostProven | KeyEnded | AskAboutPages | AskAboutHeld | AskAboutAddress | StopLayer | None = None


class HeldVerdict(NamedTuple):
    """What becomes of the tiles that were held. `genuine` is for the gate: True if the host was itself, False if
    somebody else answers, None for neither."""

    genuine: bool | None
    settled: list[tuple[Tile, TileAction]]
    stop: StopLayer | None = None

"""What a fetch takes and gives: options, progress, reports. Plain values only."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from packer.fetching.batch_writer import BATCH_RECORDS
from packer.fetching.pacing.gate import Pause
from packer.fetching.pacing.speed_limit import SpeedLimit
from packer.fetching.refresh import RefreshCounts
from packer.fetching.transports import TransportName
from packer.geometry.tileset import Tile

__all__ = [
    "Alarm",
    "AreaCoverage",
    "Departure",
    "FetchReport",
    "HandProgress",
    "LayerCounts",
    "LayerProgress",
    "LayerReport",
    "Options",
]


@dataclass(frozen=True, slots=True)
class Options:
    """How a fetch is run.

    `give_up_after_s` None waits for a host that was reached before without limit, and for one that never was
    half a minute. `batch_records` is how many tiles share a transaction. `depart_at` is when the crew leaves,
    in seconds since 1970: the packs are whole by then. `for_s` is how long the fetch may take, on a clock that never
    jumps: the packs are whole after that, whatever the hour is set to meanwhile. `max_bytes` bounds the bodies
    received. `log` writes lastbar.log.jsonl into the folder of the packs. `refresh_older_s` has tiles on board
    refreshed that were fetched longer ago, unless their server called them fresh for longer. `transport` None takes
    the faster one that can be loaded. `keep_awake` asks the system not to fall asleep meanwhile. `speed_limit` leaves
    room for others on the same link. `sample` is for a few tiles of a plan: the packs keep word of what they were
    last fetched for.
    """

    store: Path | None = None
    give_up_after_s: float | None = None
    ask_absent_again: bool = False
    transport: TransportName | None = None
    batch_records: int = BATCH_RECORDS
    depart_at: float | None = None
    for_s: float | None = None
    max_bytes: int | None = None
    log: bool = False
    refresh_older_s: float | None = None
    keep_awake: bool = False
    sample: bool = False
    speed_limit: SpeedLimit = field(default_factory=SpeedLimit)


@dataclass(slots=True)
class LayerCounts:
    """What a run has done for one layer so far: `bytes` counts stored bodies, `took_s` is what a request takes of late,
    `troubles` counts the tiles given up by reason, `never_came` lists those whose host answered, but never with them,
    `asked_less` counts those of them that were asked for less often than others, `settled` lists what was stored or
    found absent since somebody last emptied it, and `found_absent` those of `settled` that were found absent."""

    requests: int = 0
    stored: int = 0
    bytes: int = 0
    absent: int = 0
    failed: int = 0
    took_s: float = 0.0
    troubles: Counter[str] = field(default_factory=Counter)
    never_came: list[Tile] = field(default_factory=list, repr=False)
    asked_less: int = 0
    settled: list[Tile] = field(default_factory=list, repr=False)
    found_absent: list[Tile] = field(default_factory=list, repr=False)


@dataclass(frozen=True, slots=True)
class AreaCoverage:
    """How much of one area is on board at each zoom, or will be: shares from 0 to 1, by ascending zoom.

    1 means that nothing planned is missing. For a line the share is that of its length whose own tile is
    there, for any other shape that of the tiles.

    `held` is the deepest zoom that every place of the area holds, None for none, beside `asked` in the brief. `done`
    of its `planned` tiles are not missing. A forecast has none of the four.
    """

    area: str
    shares: tuple[tuple[int, float], ...]
    held: int | None = None
    asked: int | None = None
    done: int = 0
    planned: int = 0


@dataclass(frozen=True, slots=True)
class Departure:
    """What will be on board of one layer when the crew leaves, at the present speed.

    `seconds_left` is the time until then, None if only bytes are limited; `tiles` is how many more can come;
    `complete` whether that is all of them.
    """

    seconds_left: float | None
    tiles: int
    complete: bool
    areas: tuple[AreaCoverage, ...]


@dataclass(frozen=True, slots=True)
class Alarm:
    """One image at many places: `tiles` of them in this run, the first at `example` (z/x/y)."""

    layer: str
    sha256: str
    tiles: int
    example: str


@dataclass(frozen=True, slots=True)
class HandProgress:
    """Another machine, or process, that fetches for a run: what came from it so far and of late, and its share of the
    caps: so many `connections`, and requests begun `per_second`.

    `silent_s` is how long nothing was heard of it, 0 as long as that is nothing unusual; its tiles go to others in
    `given_up_in_s` seconds more, and then for `kept_s` nobody has its connections, which may still be open. `waits` is
    the kind of what it waits for, "" if for nothing, with `reason` and where to sign in. `failed` is why it asks a
    layer for nothing more.
    """

    name: str
    tiles: int
    tiles_per_second: float
    bits_per_second: float
    connections: int
    silent_s: float = 0.0
    given_up_in_s: float = 0.0
    waits: str = ""
    reason: str = ""
    where: str = ""
    failed: str = ""
    per_second: int = 0
    kept_s: float = 0.0


@dataclass(frozen=True, slots=True)
class LayerProgress:
    """How far one layer is: `held` and `absent` count within the plan, this run's included.

    `areas` and `departure` are worked out every few seconds only; `departure` is None without a limit or
    before the speed is known. `waited_s` is how long the host could not be reached so far, which is no part of the
    pace. `hands` are the other machines at work, for all layers together; None where this one fetches by itself.
    `counted` is False as long as the pack has not been read, so that `held` and `absent` say nothing.
    """

    name: str
    planned: int
    held: int
    absent: int
    counts: LayerCounts
    pause: Pause | None
    host: str
    areas: tuple[AreaCoverage, ...] = ()
    departure: Departure | None = None
    alarms: tuple[Alarm, ...] = ()
    refresh: RefreshCounts = field(default_factory=RefreshCounts)
    waited_s: float = 0.0
    hands: tuple[HandProgress, ...] | None = None
    counted: bool = True


@dataclass(frozen=True, slots=True)
class LayerReport:
    """What a run did for one layer. `missing` is what the plan still lacks; `troubles` counts tiles that were
    given up by reason; `areas` is what is on board at the end; `refresh` counts the tiles that were to be refreshed;
    `never_came` counts by zoom the tiles that `host` never gave, though it answered; `asked_less` of them were too many
    for every attempt, and asked for less often once a sample of their zoom had been asked for in vain."""

    planned: int
    held_before: int
    requests: int
    stored: int
    bytes: int
    absent: int
    failed: int
    missing: int
    failure: str | None = None
    troubles: Mapping[str, int] = field(default_factory=dict)
    areas: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    refresh: Mapping[str, int] = field(default_factory=dict)
    host: str = ""
    never_came: Mapping[str, int] = field(default_factory=dict)
    asked_less: int = 0


@dataclass(frozen=True, slots=True)
class FetchReport:
    """What a run did. `complete` holds if every planned tile is stored or known not to exist, and none is left of
    those that were to be refreshed.

    `stopped` says why it ended early: "asked", "departure", "max-bytes", or None. `wrong_ground`, which is among the
    `remarks` as well, are the signs that a pack is no map of the ground that was planned.
    """

    complete: bool
    interrupted: bool
    seconds: float
    layers: Mapping[str, LayerReport]
    stopped: str | None = None
    alarms: tuple[Alarm, ...] = ()
    remarks: tuple[str, ...] = ()
    wrong_ground: tuple[str, ...] = ()

    def total(self, what: str) -> int:
        """The sum of one count over all layers."""
        return sum(int(getattr(layer, what)) for layer in self.layers.values())

    def to_dict(self) -> dict[str, Any]:
        """One plain document, totals first."""
        sums = ("planned", "held_before", "requests", "stored", "bytes", "absent", "failed", "missing")
        return {
            "complete": self.complete,
            "interrupted": self.interrupted,
            "stopped": self.stopped,
            "seconds": round(self.seconds, 3),
            **{name: self.total(name) for name in sums},
            "alarms": [asdict(alarm) for alarm in self.alarms],
            "remarks": list(self.remarks),
            "wrong_ground": list(self.wrong_ground),
            "layers": {name: asdict(layer) for name, layer in self.layers.items()},
        }

"""What a hand says, as plain values that are checked for their form. Each reader raises ValueError."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from packer.fetching.hands.settled import read_tile
from packer.fetching.pacing.cap_shares import Caps
from packer.fetching.pacing.signals import PauseKind
from packer.geometry.tileset import Tile

__all__ = ["Batch", "Beat", "Join", "read_batch", "read_beat", "read_join"]

_Word = Annotated[str, StringConstraints(max_length=64)]
_Words = Annotated[str, StringConstraints(max_length=1000)]
_Name = Annotated[
    str, StringConstraints(min_length=1, max_length=40, pattern=r"^[\w .-]+$", strip_whitespace=True)
]
_Count = Annotated[int, Field(ge=0, le=10**9)]
_Seconds = Annotated[float, Field(ge=0, le=10**6)]


class _Said(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    op: str
    hand: _Word = ""


class Join(_Said):
    """A hand is there: its name, its version, and its number of before."""

    name: _Name
    version: _Word
    was: _Word = ""


class Beat(_Said):
    """How a hand is, said for the `count`th time: by gate what it may still use, needs and waits for; by layer how
    many tiles it has not asked for, what it gives back, why it gave the layer up, and why its key is refused. Of
    layers that have `ended` it has nothing under way. An answer takes `longest_s` at most, and its lease has `left_s`
    left. The last answer that it heard was to beat `heard`, and it may take `speed` bits a second, None where nothing
    was said of that."""

    count: _Count
    heard: _Count
    speed: Annotated[float, Field(ge=0, le=1e15)] | None
    using: dict[_Word, Caps]
    needs: dict[_Word, Caps]
    waits: dict[_Word, tuple[PauseKind, _Words, _Words | None, _Seconds]]
    unstarted: dict[_Words, _Count]
    back: dict[_Words, list[Tile]]
    ended: list[_Words]
    failed: dict[_Words, tuple[_Word, _Words]]
    keys: dict[_Words, _Words]
    longest_s: _Seconds
    left_s: _Seconds


class Batch(_Said):
    """Settled tiles of one layer, and how many requests were sent since the last batch."""

    layer: _Words
    records: list[Any] = Field(max_length=5000)
    requests: Annotated[int, Field(ge=0, le=100_000)]


def read_join(message: dict[str, Any]) -> Join:
    """What a hand says when it joins."""
    return Join.model_validate(message)


def read_beat(message: dict[str, Any]) -> Beat:
    """What a hand says twice a second."""
    flat = message.get("back")
    if isinstance(flat, dict):
        message = message | {
            "back": {name: [read_tile(one) for one in tiles] for name, tiles in flat.items()}
        }
    return Beat.model_validate(message)


def read_batch(message: dict[str, Any]) -> Batch:
    """Settled tiles."""
    return Batch.model_validate(message)

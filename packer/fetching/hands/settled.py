"""What a hand sends of settled tiles, as plain values, and what the planning machine makes of them again.

Nothing that comes from a hand is believed by its form alone: each value is checked for what it has to be, and a body
for its hash and its kind. A body is examined as far as its own checksums and lengths go; that the picture inside it is
whole was for the hand to find out, as a worker here would have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from packer.content.damage import Damaged, NotATile
from packer.content.digest import body_hash
from packer.content.payload import Kind, examine
from packer.fetching.actions import NO_WHOLE_TILE, KeepStored, NoteAbsent, NoteTrouble, Store
from packer.fetching.answers.outcome import Stored, Unchanged
from packer.fetching.hosts.source import Source, without_secrets
from packer.geometry.tileset import Tile
from packer.store.records import LAST_SECOND, Absent, Received, Record, Renewed, Trouble

__all__ = ["FaultyError", "Settled", "SettledAction", "read_settled", "read_tile", "sent_of"]

_LONGEST_REASON, _LONGEST_VALIDATOR, _MOST_BYTES = 300, 1000, 16_000_000
_STATUSES = frozenset({200, 204, 404, 410})


class FaultyError(ValueError):
    """What a hand sent is not what it has to be; the argument says why, in a clause."""


SettledAction = Store | KeepStored | NoteAbsent | NoteTrouble


@dataclass(frozen=True, slots=True)
class Settled:
    """A tile and what is to be done about it."""

    tile: Tile
    action: SettledAction


def sent_of(record: Record) -> list[Any]:
    """A record of a hand as it is sent."""
    place: list[Any] = list(record.tile)
    match record:
        case Received():
            fresh = (record.etag, record.modified, record.fresh_until)
            return ["tile", place, record.data, record.hash, record.kind, *fresh]
        case Renewed():
            return ["kept", place, record.etag, record.modified, record.fresh_until]
        case Absent():
            return ["absent", place, record.status]
        case Trouble():
            return ["trouble", place, record.kind, record.reason]
    raise TypeError(record)


def read_tile(found: object) -> Tile:
    """A tile as it is sent. Raises FaultyError."""
    if not isinstance(found, Sequence) or len(found) != 3 or not all(type(n) is int for n in found):
        raise FaultyError("a tile has no place")
    zoom, x, y = found
    if not (0 <= zoom <= 30 and 0 <= x < 1 << zoom and 0 <= y < 1 << zoom):
        raise FaultyError("a tile lies outside the grid")
    return Tile(zoom, x, y)


def read_settled(found: object, source: Source, kind: Kind | None) -> Settled:
    """What a hand sent of one tile of a layer, whose tiles are of `kind` if that is known. Raises FaultyError, with the
    tile as a second argument where its place can be read."""
    if not isinstance(found, Sequence) or len(found) < 2:
        raise FaultyError("a record has no form")
    tile = read_tile(found[1])
    try:
        match found:
            case ["tile", _, bytes() as data, bytes() as digest, str() as name, etag, modified, fresh]:
                outcome = _stored(data, digest, name, (etag, modified, fresh))
                if kind is not None and outcome.kind is not kind:
                    raise FaultyError(f"a tile is {outcome.kind.value}, where the others are {kind.value}")
                kept = without_secrets(outcome, source.secrets)
                assert isinstance(kept, Stored)
                return Settled(tile, Store(kept, digest))
            case ["kept", _, etag, modified, fresh]:
                same = without_secrets(Unchanged(*_validators(etag, modified, fresh)), source.secrets)
                assert isinstance(same, Unchanged)
                return Settled(tile, KeepStored(same))
            case ["absent", _, int() as status] if status in _STATUSES:
                return Settled(tile, NoteAbsent(status))
            case ["trouble", _, str() as word, str() as reason]:
                return Settled(tile, _trouble(word, reason, source))
    except FaultyError as fault:
        raise FaultyError(*fault.args, tile) from None
    raise FaultyError("a record has no form", tile)


def _validators(etag: object, modified: object, until: object) -> tuple[str | None, str | None, int | None]:
    for text in (etag, modified):
        if text is not None and not (
            isinstance(text, str) and len(text) <= _LONGEST_VALIDATOR and text.isprintable()
        ):
            raise FaultyError("a validator has no form")
    if until is not None and not (type(until) is int and 0 <= until <= LAST_SECOND):
        raise FaultyError("a date has no form")
    assert etag is None or isinstance(etag, str)
    assert modified is None or isinstance(modified, str)
    assert until is None or isinstance(until, int)
    return etag, modified, until


def _stored(data: bytes, digest: bytes, name: str, fresh: tuple[object, object, object]) -> Stored:
    etag, modified, until = _validators(*fresh)
    if len(data) > _MOST_BYTES or body_hash(data) != digest:
        raise FaultyError("a body does not have the hash that came with it")
    try:
        kind = examine(data).kind
    except (Damaged, NotATile) as fault:
        raise FaultyError(f"a body is no whole tile: {fault}") from None
    if kind.value != name:
        raise FaultyError("a body is of another kind than was said")
    return Stored(data, kind, etag, modified, until)


def _trouble(word: str, reason: str, source: Source) -> NoteTrouble:
    if len(word) > 40 or len(reason) > _LONGEST_REASON or not (word + reason).isprintable():
        raise FaultyError("a reason has no form")
    return NoteTrouble(word if word else NO_WHOLE_TILE, source.secrets.scrub(reason))

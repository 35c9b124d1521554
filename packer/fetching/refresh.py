"""Refreshing tiles that are on board and have grown old: on what condition they are asked for, and what came of it.

The tile that is on board stays there until the new one is committed. One that the server no longer has stays
too, since an old map is better than none; it is only counted. And so does one in whose place a picture comes that
has just come for another place, where another picture was before: most likely it says "blocked" or "no data".
"""

from __future__ import annotations

import enum
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import asdict, dataclass

from packer.fetching.actions import KeepStored, NoteTrouble, Store
from packer.fetching.answers.outcome import Stored, Unchanged
from packer.geometry.tileset import Tile, TileSet
from packer.store.writer import Validators

__all__ = ["Refresh", "RefreshCounts", "StoredCopy", "stored_or_kept"]

_LONGEST_VALIDATOR = 1000  # characters
_LATELY = 10_000  # new pictures that are remembered
_SAME_PICTURE = "one new picture came for several different places; the stored tiles are kept"


class StoredCopy(enum.Enum):
    """How an answer compares with the copy of the tile that is on board."""

    NONE = "no copy is on board"
    SAME = "it is the same, by its body or by a 304 that answers the conditions sent"
    OTHER = "it is another one; after a 304: the conditions were about another"
    DOUBTFUL = "not to be believed: one picture for several places, or a 304 to a request without conditions"


@dataclass(slots=True)
class RefreshCounts:
    """Of `stale` tiles so many came `new`, were `unchanged` (the server said so, or the body was the same), are `gone`
    from the server, or could not be fetched (`failed`). `fresh` are as old, but their server calls them fresh still,
    so that they are not asked for."""

    stale: int = 0
    fresh: int = 0
    new: int = 0
    unchanged: int = 0
    gone: int = 0
    failed: int = 0

    @property
    def left(self) -> int:
        """How many are as old as before, and are still on the server."""
        return self.stale - self.new - self.unchanged - self.gone

    def as_counts(self) -> dict[str, int]:
        """All counts by name."""
        return {**asdict(self), "left": self.left}


class Refresh:
    """The stale tiles of one layer, beside how many old ones are fresh still. `validators` looks up what is known
    of a stored tile; `wanted` is whether anyone asked for all this."""

    def __init__(
        self,
        tiles: TileSet,
        fresh: int,
        validators: Callable[[Tile], Awaitable[Validators]],
        *,
        wanted: bool = True,
    ) -> None:
        self.tiles, self.wanted = tiles, wanted
        self._any = bool(tiles)
        self.counts = RefreshCounts(len(tiles), fresh)
        self._look_up = validators
        self._asked: dict[Tile, Validators] = {}
        self._unconditional: set[Tile] = set()  # asked for without conditions
        # New pictures, each with what it replaced.
        self._replaced: OrderedDict[bytes, bytes | None] = OrderedDict()

    def __contains__(self, tile: Tile) -> bool:
        return self._any and tile in self.tiles

    async def headers(self, tile: Tile, plain: Mapping[str, str]) -> Mapping[str, str]:
        """The headers to ask for the tile with: those of the source, and the conditions of RFC 9110 section 13.1.

        If cancelled: nothing has changed.
        """
        known = self._asked[tile] = await self._look_up(tile)
        return plain if tile in self._unconditional else {**plain, **_conditions(known)}

    async def known(self, tile: Tile) -> Validators:
        """What is known of the copy on board. If cancelled: nothing has changed."""
        return await self._look_up(tile)

    def compare(self, tile: Tile, outcome: Stored | Unchanged, digest: bytes) -> StoredCopy:
        """How an answer compares with what is on board; `digest` is the SHA-256 of a body that came."""
        known = self._asked.pop(tile, None)
        if isinstance(outcome, Unchanged):
            # RFC 9111 section 4.3.4: a 304 that does not answer our own conditions says nothing of our copy.
            if tile in self._unconditional:
                return StoredCopy.DOUBTFUL
            ours = known is not None and _conditions(known) and _same_copy(known, outcome)
            return StoredCopy.SAME if ours else StoredCopy.OTHER
        self._unconditional.discard(tile)
        if known is not None and known.hash == digest:
            return StoredCopy.SAME
        before = known.hash if known is not None else None
        return StoredCopy.OTHER if self._believed(digest, before) else StoredCopy.DOUBTFUL

    def _believed(self, digest: bytes, before: bytes | None) -> bool:
        """Whether one picture may stand in for another: a sea that was redrawn replaces the same old sea
        everywhere, but a picture that replaces different ones is no map."""
        if digest in self._replaced:
            self._replaced.move_to_end(digest)
            return self._replaced[digest] == before
        self._replaced[digest] = before
        if len(self._replaced) > _LATELY:
            self._replaced.popitem(last=False)
        return True

    def drop_conditions(self, tile: Tile) -> None:
        """Have the tile asked for without conditions from now on."""
        self._unconditional.add(tile)

    def settled(self, tile: Tile) -> None:
        """The tile is not asked for again."""
        self._asked.pop(tile, None)


def stored_or_kept(outcome: Stored, digest: bytes, copy: StoredCopy) -> Store | KeepStored | NoteTrouble:
    """What becomes of a tile that came, by how it compares with the copy on board."""
    if copy is StoredCopy.DOUBTFUL:
        return NoteTrouble("same picture", _SAME_PICTURE)
    return KeepStored(outcome) if copy is StoredCopy.SAME else Store(outcome, digest)


def _conditions(known: Validators) -> dict[str, str]:
    conditions = {"If-None-Match": known.etag, "If-Modified-Since": known.modified}
    return {name: value for name, value in conditions.items() if value and _sendable(value)}


def _sendable(value: str) -> bool:
    """Whether a validator from a pack, which may have been made by anyone, can stand in a header: "*" would match
    whatever the server has, and no server takes a header without end."""
    return (
        value.isascii() and value.isprintable() and value.strip() != "*" and len(value) <= _LONGEST_VALIDATOR
    )


def _same_copy(known: Validators, answer: Unchanged) -> bool:
    """By the entity tag, in weak comparison (RFC 9110 section 8.8.3.2), else by the date of change; a server need
    not repeat them."""
    if known.etag is not None and answer.etag is not None:
        return known.etag.removeprefix("W/") == answer.etag.removeprefix("W/")
    return known.modified is None or answer.modified is None or known.modified == answer.modified

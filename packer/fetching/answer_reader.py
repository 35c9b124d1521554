"""What came for a tile, as the policy of its layer needs to know it: the outcome, and what is known beside it."""

from __future__ import annotations

from dataclasses import replace

from packer.common.clock import Clock
from packer.content.digest import body_hash
from packer.content.payload import Kind
from packer.fetching.actions import Store
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import Outcome, Stored, Unchanged
from packer.fetching.answers.repeats import RepeatDetector
from packer.fetching.hosts.tile_requests import Exchange, TileRequests
from packer.fetching.jpeg_worker import JpegFinding, JpegWorker
from packer.fetching.metatiles import Metatiles
from packer.fetching.policy import TileHistory
from packer.fetching.refresh import Refresh, StoredCopy
from packer.fetching.tile_queue import TileQueue
from packer.fetching.transports import Result
from packer.geometry.tileset import Tile

__all__ = ["AnswerReader"]

_COMPARABLE = (Stored, Unchanged)


class AnswerReader:
    """Reads the answers of one layer. `repeats` notes pictures that come for several places."""

    def __init__(
        self,
        requests: TileRequests,
        queue: TileQueue,
        refresh: Refresh,
        jpeg_worker: JpegWorker,
        clock: Clock,
        metatiles: Metatiles | None = None,
    ) -> None:
        self.repeats = RepeatDetector()
        self._requests, self._queue, self._refresh = requests, queue, refresh
        self._jpeg_worker, self._clock, self._metatiles = jpeg_worker, clock, metatiles
        self._rules = requests.source.rules

    @property
    def kind(self) -> Kind | None:
        """The only kind of tile that is taken, once it is known."""
        return self._rules.kind

    def note_settled(self, tile: Tile, store: Store) -> None:
        """A tile came by another way than `history`."""
        if self._rules.kind is None:
            self.require_kind(store.outcome.kind)
        self.repeats.note(tile, store.digest)

    def require_kind(self, kind: Kind) -> None:
        """Take no other kind of tile from now on: a pack has one format."""
        self._rules = replace(self._rules, kind=kind)

    def outcome(self, tile: Tile, exchange: Exchange, result: Result, finding: JpegFinding | None) -> Outcome:
        """What came means this; `finding` is what is known already of a JPEG."""
        rules = self._rules if self._metatiles is None else self._metatiles.rules(tile, self._rules)
        outcome = exchange.meaning or judge(result, rules, self._clock.wall(), finding and finding.size_px)
        return exchange.without_echo(self._requests.source.without_echo(outcome))

    def history(
        self, tile: Tile, exchange: Exchange, outcome: Outcome, finding: JpegFinding | None
    ) -> TileHistory:
        """What is known of a tile and of the host that answered."""
        digest, blank, copy = b"", False, StoredCopy.NONE
        blocks = self._metatiles
        if blocks is not None:
            for piece in blocks.cut_tiles(tile):
                self._note_picture(piece.tile, piece.outcome, piece.digest, blank=blocks.is_blank(piece))
        elif isinstance(outcome, Stored):
            digest = finding.hash if finding is not None else body_hash(outcome.data)
            blank = digest in self._requests.source.blank
            self._note_picture(tile, outcome, digest, blank=blank)
        if isinstance(outcome, _COMPARABLE) and not blank and tile in self._refresh and blocks is None:
            copy = self._refresh.compare(tile, outcome, digest)
        return TileHistory(
            exchange.permit.started,
            exchange.gate.last_success,
            self._queue.attempts.get(tile),
            digest,
            blank,
            copy,
            exchange.gate.pause is not None,
            self._queue.exhausted,
            self._queue.lane.is_spent(tile),
            exchange.permit.probe,
        )

    def _note_picture(self, tile: Tile, outcome: Stored, digest: bytes, *, blank: bool) -> None:
        if outcome.kind is Kind.JPG:
            self._jpeg_worker.note()
        if not blank:
            if self._rules.kind is None:
                self.require_kind(outcome.kind)
            self.repeats.note(tile, digest)

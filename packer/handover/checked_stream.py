"""The tiles of one file on their way from the pack into it, each checked as it passes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from packer.common.shell import shell_command
from packer.content.codings import unwrap
from packer.content.damage import Damaged, NotATile
from packer.content.digest import body_hash
from packer.content.payload import examine
from packer.content.vector_layers import VectorLayers
from packer.errors import InputError, StoreError
from packer.geometry.tileset import Tile, TileSet
from packer.handover.blending import Blend
from packer.handover.drafting import FileDraft
from packer.handover.kinds import About, As, Findings
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.store.snapshot_reader import ContentDigest, SnapshotReader, TileRow
from packer.store.staged_file import UnlikeError
from packer.store.wrong_ground import wrong_ground

__all__ = ["EVERY", "CheckedTileStream", "FileWork", "HandoverJob", "Progress", "Telling"]

Progress = Callable[[str, int, int], None]
EVERY = 500  # tiles between two reports of progress
_LARGEST_VECTOR_BYTES = 32 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class HandoverJob:
    """What all files of a handover have in common. `store` is the folder of the packs, None for the brief's."""

    brief: Brief
    plan: Plan
    store: Path | None
    readers: Mapping[str, SnapshotReader]
    kind: As
    limit_bytes: int | None
    allow_gaps: bool
    on_progress: Progress
    on_note: Callable[[str], None]
    blends: Mapping[str, Blend] = field(default_factory=dict)
    _signs: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def wrong_ground(self, layer: str) -> tuple[str, ...]:
        """A sentence for each sign that the pack of a layer shows other ground than was planned; looked for once, so
        that the refusal and the record of every copy go by the same."""
        if layer not in self._signs:
            pack = pack_path(self.brief, layer, self.store)
            self._signs[layer] = tuple(wrong_ground(layer, pack, self.plan.layers[layer].tiles))
        return self._signs[layer]

    @property
    def verify(self) -> str:
        """The command that names every damaged tile of these packs."""
        return shell_command("verify", self.brief.path, store=self.store)


@dataclass(frozen=True, slots=True)
class FileWork:
    """All that one file is made by, but the pack: plain values, which may go to another machine. `about` is what the
    file says of itself, `verify` the command that names corrupt tiles."""

    file: FileDraft
    about: About
    kind: As
    limit_bytes: int | None
    allow_gaps: bool
    verify: str


@dataclass(frozen=True, slots=True)
class Telling:
    """Who is told how far the writing of a file is, and a sentence now and then."""

    on_progress: Progress
    on_note: Callable[[str], None]


class CheckedTileStream:
    """The tiles of one file on their way from the pack, checked one by one.

    `tally` and `tiles_bytes` are of those that have passed, `resumed` is how many of these were in the file already.
    """

    def __init__(self, work: FileWork, reader: SnapshotReader, telling: Telling) -> None:
        self.tally = ContentDigest()
        self.tiles_bytes = self.resumed = 0
        self._work, self._file, self._telling = work, work.file, telling
        self._reader = reader
        self._vector = VectorLayers() if self._reader.kind == "pbf" else None
        self._left_out: set[Tile] = set()
        self._px: tuple[int, int] | None = None

    def go_on(self, rows: Iterator[tuple[Tile, bytes]]) -> None:
        """Take in the tiles that a handover which was cut off left in the file, each put to the same tests as one of
        the pack. Asked for once, before those that follow.

        Raises UnlikeError for a tile that would not be written there now.
        """
        stated = self._reader.stated(self._file.listing)
        for tile, data in rows:
            self._report(f"checking what is there of {self._file.name}", self.resumed)
            said = next(stated, None)
            body = said.tried(data, self._fault) if said is not None and said.tile == tile else None
            if body is None or body.fault is not None or self._taken(body) is None:
                raise UnlikeError(f"Tile {tile} of {self._file.name} would not be written there now.")
            self.resumed += 1
        if self.resumed:
            self._telling.on_note(
                f"{self._file.name}: {self.resumed:,} of {len(self._file.listing):,} tiles were there from a handover "
                "that was cut off. Each was checked; the rest follows."
            )

    def __iter__(self) -> Iterator[tuple[Tile, bytes]]:
        rows = self._reader.bodies(self._file.listing, self._fault, self.resumed)
        for done, body in enumerate(rows, self.resumed):
            self._report(f"writing {self._file.name}", done)
            data = self._taken(body)
            if data is not None:
                yield body.tile, data

    def _report(self, doing: str, done: int) -> None:
        if done % EVERY == 0:
            self._telling.on_progress(doing, done, len(self._file.listing))

    def _taken(self, body: TileRow) -> bytes | None:
        """Count a tile, and give the bytes to write; None for one that is left out."""
        fault, data, sha256 = body.fault, body.data, body.hash
        if fault is None and self._vector is not None:
            try:
                self._vector.add(body.tile.zoom, data)
            except Damaged as why:
                fault = str(why)
        if fault is not None:
            self._leave_out(body.tile, fault)
            return None
        if self._vector is not None and self._work.kind == "folder":
            # A file has no header to say that it is gzipped, and TileJSON has no word for it.
            data = unwrap(data, "gzip", _LARGEST_VECTOR_BYTES) if data[:2] == b"\x1f\x8b" else data
            sha256 = body_hash(data)
        self.tally.add(body.tile, sha256)
        self.tiles_bytes += len(data)
        return data

    def _leave_out(self, tile: Tile, fault: str) -> None:
        if not self._work.allow_gaps:
            raise StoreError(
                f"Tile {tile} of layer {self._file.layer} is corrupt, so it must not be handed over: {fault}, in "
                f"{self._reader.path}. The file was discarded. To find all such tiles: {self._work.verify}. To leave "
                "them out: --allow-gaps"
            )
        self._left_out.add(tile)

    def _fault(self, data: bytes) -> str | None:
        try:
            found = examine(data)
        except (Damaged, NotATile) as fault:
            return f"it is not a whole tile ({fault})"
        if found.kind.value != self._reader.kind:
            return f"it is {found.kind.value}, in a pack of {self._reader.kind}"
        if self._work.kind == "gpkg":
            self._px = self._px or found.size_px
            if found.size_px != self._px or found.size_px is None or found.size_px[0] != found.size_px[1]:
                raise InputError(
                    f"Layer {self._file.layer} has tiles of several sizes, which GeoPackage does not allow. Hand "
                    "it over with --as mbtiles."
                )
        return None

    @property
    def left_out(self) -> TileSet:
        """The tiles that are corrupt in the pack."""
        return TileSet.from_tiles(self._left_out)

    def found(self) -> Findings:
        """What is known once all tiles have passed."""
        tiles = self._file.listing.tiles - self.left_out
        if not tiles:
            raise StoreError(
                f"Every tile for {self._file.name} is corrupt. To list them: {self._work.verify}. Then fetch them "
                "again."
            )
        vector = None if self._vector is None else self._vector.found()
        return Findings(tiles, self._px[0] if self._px else 256, vector)

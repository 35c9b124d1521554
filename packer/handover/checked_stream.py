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
from packer.handover.kinds import As, Findings
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.store.snapshot_reader import ContentDigest, SnapshotReader

__all__ = ["EVERY", "CheckedTileStream", "HandoverJob", "Progress"]

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
    blends: Mapping[str, Blend] = field(default_factory=dict)

    @property
    def verify(self) -> str:
        """The command that names every damaged tile of these packs."""
        return shell_command("verify", self.brief.path, store=self.store)


class CheckedTileStream:
    """The tiles of one file on their way from the pack, checked one by one.

    `tally` and `tiles_bytes` are of those that have passed.
    """

    def __init__(self, job: HandoverJob, file: FileDraft, damaged: set[Tile]) -> None:
        self.tally = ContentDigest()
        self.tiles_bytes = 0
        self._job, self._file, self._damaged = job, file, damaged
        self._reader = job.readers[file.layer]
        self._vector = VectorLayers() if self._reader.kind == "pbf" else None
        self._left_out: set[Tile] = set()
        self._px: tuple[int, int] | None = None

    def __iter__(self) -> Iterator[tuple[Tile, bytes]]:
        every = len(self._file.index)
        for done, body in enumerate(self._reader.bodies(self._file.index, self._fault)):
            if done % EVERY == 0:
                self._job.on_progress(f"writing {self._file.name}", done, every)
            if body.fault is not None:
                self._leave_out(body.tile, body.fault)
                continue
            data, sha256 = body.data, body.hash
            if self._vector is not None:
                try:
                    self._vector.add(body.tile.zoom, data)
                except Damaged as fault:
                    self._leave_out(body.tile, str(fault))
                    continue
                if self._job.kind == "folder":
                    # A file has no header to say that it is gzipped, and TileJSON has no word for it.
                    data = unwrap(data, "gzip", _LARGEST_VECTOR_BYTES) if data[:2] == b"\x1f\x8b" else data
                    sha256 = body_hash(data)
            self.tally.add(body.tile, sha256)
            self.tiles_bytes += len(data)
            yield body.tile, data

    def _leave_out(self, tile: Tile, fault: str) -> None:
        if not self._job.allow_gaps:
            raise StoreError(
                f"Tile {tile} of layer {self._file.layer} is corrupt, so it must not be handed over: {fault}, in "
                f"{self._reader.path}. The file was discarded. To find all such tiles: {self._job.verify}. To leave "
                "them out: --allow-gaps"
            )
        self._left_out.add(tile)
        self._damaged.add(tile)

    def _fault(self, data: bytes) -> str | None:
        try:
            found = examine(data)
        except (Damaged, NotATile) as fault:
            return f"it is not a whole tile ({fault})"
        if found.kind.value != self._reader.kind:
            return f"it is {found.kind.value}, in a pack of {self._reader.kind}"
        if self._job.kind == "gpkg":
            self._px = self._px or found.size_px
            if found.size_px != self._px or found.size_px is None or found.size_px[0] != found.size_px[1]:
                raise InputError(
                    f"Layer {self._file.layer} has tiles of several sizes, which GeoPackage does not allow. Hand "
                    "it over with --as mbtiles."
                )
        return None

    def found(self) -> Findings:
        """What is known once all tiles have passed."""
        tiles = self._file.index.tiles() - TileSet.from_tiles(self._left_out)
        if not tiles:
            raise StoreError(
                f"Every tile for {self._file.name} is corrupt. To list them: {self._job.verify}. Then fetch them again."
            )
        vector = None if self._vector is None else self._vector.found()
        return Findings(tiles, self._px[0] if self._px else 256, vector)

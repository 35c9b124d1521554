"""A pack's own books, for a quick answer; proof is another matter (see `audit`)."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from packer.store.holdings import absent_tiles, held_tiles
from packer.store.schema import open_read_only, translated
from packer.tileset import TileSet

__all__ = ["Books", "read_books", "read_weights"]


@dataclass(frozen=True, slots=True)
class Books:
    """What a pack says of itself. `troubles` counts unsettled tiles by reason; `last_run` is in seconds since
    1970, None if it never ran."""

    held: TileSet = field(default_factory=TileSet)
    absent: TileSet = field(default_factory=TileSet)
    troubles: tuple[tuple[str, int], ...] = ()
    last_run: int | None = None
    file_bytes: int = 0


def read_books(path: Path) -> Books:
    """Read a pack's books, also while another process writes it. Raises StoreError if it is no pack of ours."""
    with translated(path):
        db = open_read_only(path)
        try:
            db.execute("BEGIN")  # one moment for all that follows
            troubles = db.execute(
                "SELECT reason, count(*) FROM trouble GROUP BY reason ORDER BY 2 DESC LIMIT 5"
            )
            return Books(
                held_tiles(db),
                absent_tiles(db),
                tuple(troubles.fetchall()),
                db.execute("SELECT max(started) FROM run").fetchone()[0],
                path.stat().st_size,
            )
        finally:
            db.close()


def read_weights(path: Path) -> dict[int, float]:
    """Mean bytes of a stored tile, by zoom; a quick look at the first bodies of each zoom.

    Raises StoreError if it is no pack of ours.
    """
    with translated(path):
        db = open_read_only(path)
        try:
            zooms = [z for (z,) in db.execute("SELECT DISTINCT zoom_level FROM placement")]
            weights = {}
            for zoom in zooms:
                (mean,) = db.execute(
                    "SELECT avg(length(data)) FROM (SELECT blob_id FROM placement WHERE zoom_level = ? LIMIT 2000) "
                    "JOIN blob ON blob.id = blob_id",
                    (zoom,),
                ).fetchone()
                if mean is not None:
                    weights[int(zoom)] = float(mean)
            return weights
        finally:
            db.close()

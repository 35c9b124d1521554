"""One file of a pack, read as it is at one moment."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from packer.geometry.tileset import TileSet
from packer.store.blank_tiles import blank_tiles
from packer.store.disk_errors import translated
from packer.store.picture_marks import partial_tiles, picture_names
from packer.store.schema import open_read_only, settle
from packer.store.tile_sets import scan

__all__ = ["FileMoment", "FileReader"]

_PATIENCE_S = 60.0  # a commit takes as long as a worn stick does, and may itself wait for a verify


@dataclass(frozen=True, slots=True)
class FileMoment:
    """What one file of a pack has at one moment."""

    kind: str
    held: TileSet
    absent: TileSet
    partial: TileSet
    pictures: tuple[str, ...]


class FileReader:
    """One file of a pack, open for reading one moment after another. Raises StoreError if it is not a pack of ours."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.db = open_read_only(path, patience_s=_PATIENCE_S)

    def use_memory(self, kib: int) -> None:
        """Let the file's pages take so much memory at most."""
        self.db.execute(f"PRAGMA cache_size = -{kib}")

    def look(self, blank: Collection[bytes]) -> FileMoment:
        """Begin to read one moment of the file, and see what it has. Raises StoreError or DiskError."""
        with translated(self.path):
            self.begin()
            found = self.db.execute("SELECT value FROM metadata WHERE name = 'format'").fetchone()
            none = blank_tiles(self.db, blank)
            return FileMoment(
                str(found[0]) if found else "",
                scan(self.db, "placement") - none,
                scan(self.db, "absent") | none,
                partial_tiles(self.db),
                picture_names(self.db),
            )

    def begin(self) -> None:
        """Begin to read one moment of the file, unless one is being read. Raises sqlite3.Error."""
        if self.db.in_transaction:
            return
        self.db.execute("BEGIN")
        try:
            self.db.execute("PRAGMA data_version").fetchone()
        except sqlite3.OperationalError as fault:
            self._commit()
            if fault.sqlite_errorname != "SQLITE_READONLY_ROLLBACK":
                raise
        else:
            return
        # A fetch has died since, and a reader alone may not take back what it left half done.
        settle(self.path)
        self.db.execute("BEGIN")
        self.db.execute("PRAGMA data_version").fetchone()

    def end(self) -> None:
        """End the moment. Raises StoreError or DiskError."""
        with translated(self.path):
            self._commit()

    def _commit(self) -> None:
        if self.db.in_transaction:  # a failing disk may have ended it already
            self.db.execute("COMMIT")

"""Building a database file of tiles in stages, so that a building that was cut off goes on at its last stage.

Each stage is one transaction, and synced: whenever the process or the machine dies, SQLite takes the file back to the
end of a stage. Stages are cut at the same rows in every run, so a file that was cut off and gone on with has the same
bytes as one written in one go. What is found in a file is not believed here: `rows` gives it to the caller, who knows
what should be there.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from packer.common.atomic_write import sync_folder
from packer.errors import StoreError
from packer.geometry.tileset import Tile
from packer.store.disk_errors import translated
from packer.store.schema import PAGE_BYTES, connect, make_durable, no_longer_than

__all__ = ["Building", "FileForm", "Resume", "UnlikeError", "builder_mark", "layout"]

Resume = Callable[[Iterator[tuple[Tile, bytes]]], None]
"""Is given the tiles that are in a file already, in the order in which they were written."""

# What is lost at most when a handover is cut off. Each stage writes again the pages of the index that it adds to, one
# for each column of tiles: 16 MB at 20 million tiles.
STAGE_TILES = 262_144
STAGE_BYTES = 256_000_000


class UnlikeError(StoreError):
    """What was found where a file is to be built is not the beginning of that file."""


@dataclass(frozen=True, slots=True)
class FileForm:
    """What a kind of file is laid out like: the scripts that make its tables, the one among these that holds the
    tiles, the numbers in its header, and what `describe` may make besides."""

    scripts: tuple[str, ...]
    table: str
    application_id: int
    user_version: int = 0
    later: str = ""


def layout(*scripts: str) -> frozenset[str]:
    """The statements of scripts as a database keeps them, each on one line."""
    return frozenset(
        line for script in scripts for part in script.split(";") if (line := " ".join(part.split()))
    )


def builder_mark() -> str:
    """What decides on the bytes of a file besides its content: the version of SQLite, and where stages are cut."""
    return f"SQLite {sqlite3.sqlite_version}, {STAGE_TILES}, {STAGE_BYTES}"


class Building:
    """A file that is built at `path`: `with Building(...) as file`, once `rows`, then `fill`, then `describe`.

    SQLite refuses to let the file grow beyond `max_bytes`; that and a full disk are DiskError. Raises UnlikeError for
    a file that is there and is no such file. If the process dies: the file holds what was written up to some stage.
    """

    def __init__(self, path: Path, form: FileForm, max_bytes: int | None) -> None:
        self._path, self._form, self._max_bytes = path, form, max_bytes
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> Building:
        with contextlib.ExitStack() as stack:
            stack.enter_context(translated(self._path))
            self._db = connect(self._path, mode="rwc")
            stack.callback(self._db.close)
            self._open()
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if getattr(fault, "sqlite_errorname", "").startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
            self._stack.close()
            raise UnlikeError(
                f"{self._path} is damaged ({fault}). The disk or card may be failing."
            ) from fault
        self._stack.__exit__(kind, fault, trace)
        if kind is None:
            # After a rollback SQLite leaves it with its head struck out, which is as good as none.
            with translated(self._path):
                self._path.with_name(f"{self._path.name}-journal").unlink(missing_ok=True)

    def _open(self) -> None:
        db = self._db
        # The file may come from anyone, who has the card: nothing in it may run.
        db.execute("PRAGMA trusted_schema = OFF")
        db.execute("PRAGMA cell_size_check = ON")
        db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        try:
            found = {" ".join(str(sql).split()) for (sql,) in db.execute(_STATEMENTS)}
        except sqlite3.DatabaseError as fault:
            if fault.sqlite_errorname in ("SQLITE_NOTADB", "SQLITE_CORRUPT"):
                raise UnlikeError(f"{self._path} is damaged ({fault}).") from fault
            raise
        # No exclusive locking mode: in that SQLite counts up the file's change counter in some transactions only, by
        # what the connection did before, and a file that was gone on with would differ there.
        db.execute("PRAGMA journal_mode = TRUNCATE")
        make_durable(db)
        if self._max_bytes is not None:
            db.execute(f"PRAGMA max_page_count = {self._max_bytes // PAGE_BYTES}")
        # Zeroes in place of what pages held before: otherwise equal content could differ in dead bytes.
        db.execute("PRAGMA secure_delete = ON")
        db.execute("PRAGMA temp_store = MEMORY")  # nothing is written outside the target folder
        db.execute("PRAGMA cache_size = -32768")
        if not found:
            self._begin()
        elif not self._is_ours(found):
            raise UnlikeError(f"{self._path} has other tables than it should.")

    def _is_ours(self, found: set[str]) -> bool:
        form, names = self._form, ("application_id", "user_version", "page_size")
        marks = tuple(self._db.execute(f"PRAGMA {name}").fetchone()[0] for name in names)
        tables = layout(*form.scripts)
        return tables <= found <= tables | layout(form.later) and marks == (
            form.application_id,
            form.user_version,
            PAGE_BYTES,
        )

    def _begin(self) -> None:
        self._db.execute("BEGIN EXCLUSIVE")
        self._db.execute(f"PRAGMA application_id = {self._form.application_id}")
        self._db.execute(f"PRAGMA user_version = {self._form.user_version}")
        for statement in ";".join(self._form.scripts).split(";"):
            self._db.execute(statement)
        self._db.execute("COMMIT")
        sync_folder(
            self._path.parent
        )  # or stages could be synced into a file whose name a power cut takes away

    def rows(self) -> Iterator[tuple[int, int, int, bytes]]:
        """Zoom, column, row and body of each tile that is there, in the order in which they were written.

        Raises UnlikeError for a row that is no tile, and for pages that do not hang together.
        """
        no_longer_than(self._db)
        query = (
            f'SELECT zoom_level, tile_column, tile_row, tile_data FROM "{self._form.table}" ORDER BY rowid'
        )
        try:
            for zoom, x, row, data in self._db.execute(query):
                if not (
                    isinstance(zoom, int)
                    and 0 <= zoom < 32
                    and all(isinstance(v, int) for v in (x, row))
                    and isinstance(data, bytes)
                ):
                    raise UnlikeError(f"{self._path} has a row that is no tile.")
                yield zoom, x, row, data
        except sqlite3.DatabaseError as fault:
            raise UnlikeError(f"{self._path} is damaged ({fault}).") from fault
        self._db.set_progress_handler(None, 0)

    def fill(self, statement: str, rows: Iterable[tuple[Any, ...]]) -> None:
        """Insert rows, whose last column is a body, stage by stage.

        If the process dies, or `rows` raises: some of the stages are in the file.
        """
        stage = _Stage(iter(rows))
        while not stage.ended:
            self._db.execute("BEGIN EXCLUSIVE")
            try:
                self._db.executemany(statement, stage)
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    def describe(self, describe: Callable[[sqlite3.Connection], Any]) -> None:
        """Have `describe` write all that is not tiles, in one transaction; or, where something of it is there
        already, raise UnlikeError unless it is just that. If the process dies: all of it is there, or nothing."""
        if any(self._small_tables(self._db).values()):
            with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as sample:
                for script in self._form.scripts:
                    sample.executescript(script)
                describe(sample)
                if self._small_tables(sample) != self._small_tables(self._db):
                    raise UnlikeError(f"{self._path} says other things of itself than it should.")
            return
        self._db.execute("BEGIN EXCLUSIVE")
        describe(self._db)
        self._db.execute("COMMIT")

    def _small_tables(self, db: sqlite3.Connection) -> dict[str, list[Any]]:
        names = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            name: db.execute(f'SELECT * FROM "{name}" LIMIT 1000').fetchall()
            for name in names
            if name != self._form.table
        }


_STATEMENTS = "SELECT sql FROM sqlite_master WHERE sql IS NOT NULL LIMIT 1000"


class _Stage:
    """Rows of one stage after the other; `ended` once there are none left."""

    def __init__(self, rows: Iterator[tuple[Any, ...]]) -> None:
        self._rows, self.ended = rows, False

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        count = size_bytes = 0
        while count < STAGE_TILES and size_bytes < STAGE_BYTES:
            row = next(self._rows, None)
            if row is None:
                self.ended = True
                return
            count, size_bytes = count + 1, size_bytes + len(row[-1])
            yield row

"""What a run writes about itself and its source, and the labels that a pack carries already."""

from __future__ import annotations

import contextlib
import json
import math
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from packer.errors import InputError
from packer.geometry.grid import MAX_ZOOM, LonLatBox
from packer.store.pack_files import files_of, pack_files
from packer.store.picture_marks import NO_SERVERS
from packer.store.schema import reading
from packer.version import __version__

__all__ = ["MATRIX_SET", "SET_LABEL", "Labels", "begin_run", "date_on_board", "grid_digest", "labels_of"]

MATRIX_SET = "tile_matrix_set"
SET_LABEL = "INSERT INTO metadata VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value"


@dataclass(frozen=True, slots=True)
class Labels:
    """What a run writes about itself and its source: words for `metadata`, `source` and `run`.

    `blank` are the SHA-256 of pictures that stand for "no tile": none of them stays in the pack. `date` is that of what
    the tiles show, where their source has several. `pictures` are further sources, as fingerprint and name: pictures
    that tiles were cut from. `matrix_set` describes the grid of the tiles where that is not the web's.
    """

    layer: str
    kind: str
    title: str
    attribution: str
    permission: str
    host: str
    fingerprint: str
    bounds: LonLatBox
    middle: tuple[float, float]
    center_zoom: int
    plan: str
    rule: str
    version: str
    blank: frozenset[bytes] = frozenset()
    date: str | None = None
    matrix_set: str | None = None
    pictures: tuple[tuple[str, str], ...] = ()


def grid_digest(matrix_set: str | None) -> str | None:
    """The digest of a grid by a pack's label of it; None for the web's, and for a label that cannot be read."""
    with contextlib.suppress(ValueError, TypeError, KeyError, RecursionError):
        return str(json.loads(matrix_set or "")["digest"])
    return None


def date_on_board(path: Path) -> str | None:
    """The date of what a pack's tiles show, "" where it states none; None where it has no tiles or there is no pack.

    Raises StoreError if it is not a pack of ours, InputError where its files are of different dates.
    """
    found = {_date(file) for file in pack_files(path).paths} - {None}
    if len(found) > 1:
        both = " and ".join(date or "no stated date" for date in sorted(str(one) for one in found))
        raise InputError(
            f"The files of {path} hold tiles of different dates: {both}. One of them comes from an older pack. Put the "
            "right one back, or move it away and fetch again."
        )
    return next(iter(found), None)


def _date(path: Path) -> str | None:
    with reading(path) as db:
        if not _has_tiles(db):
            return None
        row = db.execute("SELECT value FROM metadata WHERE name = 'date'").fetchone()
    return str(row[0]) if row is not None else ""


def _has_tiles(db: sqlite3.Connection) -> bool:
    return db.execute("SELECT 1 FROM placement LIMIT 1").fetchone() is not None


def labels_of(path: Path) -> Labels:
    """What a pack records about itself. Raises StoreError if it is not a pack of ours."""
    said, sources = _said(path)
    pictures = tuple((str(mark), str(host)) for mark, host in sources if str(mark).startswith(NO_SERVERS))
    servers = [row for row in sources if not str(row[0]).startswith(NO_SERVERS)]
    source = next(iter(servers or sources), None)
    bounds, center = _numbers(said.get("bounds"), 4), _numbers(said.get("center"), 3)
    return Labels(
        layer=said.get("name", path.stem),
        kind=said.get("format", "png"),
        title=said.get("description", path.stem).removesuffix(". For viewing, not for positioning."),
        attribution=said.get("attribution", ""),
        permission=said.get("permission", ""),
        host=str(source[1]) if source else "",
        fingerprint=str(source[0]) if source else "",
        bounds=LonLatBox(*bounds)
        if bounds and max(map(abs, bounds)) <= 180
        else LonLatBox(-180.0, -85.0, 180.0, 85.0),
        middle=(center[0], center[1]) if center else (0.0, 0.0),
        center_zoom=int(min(max(center[2], 0), MAX_ZOOM)) if center else 0,
        plan="",
        rule="merged",
        version=__version__,
        date=said.get("date"),
        matrix_set=said.get(MATRIX_SET),
        pictures=pictures,
    )


def _said(path: Path) -> tuple[dict[str, str], list[tuple[object, object]]]:
    """The metadata of a pack's first file that has tiles, and the sources of all files."""
    said: dict[str, str] | None = None
    sources: dict[tuple[object, object], None] = {}
    files = files_of(path)
    for file in files:
        with reading(file) as db:
            if said is None and (file == files[-1] or _has_tiles(db)):
                said = {
                    str(name): str(value) for name, value in db.execute("SELECT name, value FROM metadata")
                }
            for mark, host in db.execute("SELECT fingerprint, host FROM source ORDER BY first_used"):
                sources[mark, host] = None
    return said or {}, list(sources)


def _numbers(text: str | None, count: int) -> list[float] | None:
    try:
        found = [float(part) for part in (text or "").split(",")]
    except ValueError:
        return None
    return found if len(found) == count and all(map(math.isfinite, found)) else None


def begin_run(db: sqlite3.Connection, labels: Labels, now: int) -> int:
    """Write the run's labels and give its number, inside the caller's transaction."""
    bounds = _united(db, labels.bounds)
    center = f"{labels.middle[0]:.6f},{labels.middle[1]:.6f},{min(labels.center_zoom, 24)}"
    rows = {
        "attribution": labels.attribution,
        "description": f"{labels.title}. For viewing, not for positioning.",
        "permission": labels.permission,
        "bounds": ",".join(f"{v:.12f}" for v in bounds),
        "center": center,
    }
    if labels.date is not None:
        rows["date"] = labels.date
    else:
        db.execute("DELETE FROM metadata WHERE name = 'date'")
    if labels.matrix_set is not None:
        rows[MATRIX_SET] = labels.matrix_set
    db.executemany(SET_LABEL, rows.items())
    db.executemany(
        "INSERT INTO source VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET permission = excluded.permission",
        [
            (mark, host, labels.permission, now)
            for mark, host in ((labels.fingerprint, labels.host), *labels.pictures)
        ],
    )
    return int(
        db.execute(
            "INSERT INTO run (started, version, sqlite, plan, rule) VALUES (?, ?, ?, ?, ?) RETURNING id",
            (now, labels.version, sqlite3.sqlite_version, labels.plan, labels.rule),
        ).fetchone()[0]
    )


def _united(db: sqlite3.Connection, box: LonLatBox) -> LonLatBox:
    """The plan's bounds with those of earlier briefs; a box across the antimeridian becomes the whole belt,
    since MBTiles bounds run from left to right."""
    if box.west > box.east:
        box = box._replace(west=-180.0, east=180.0)
    row = db.execute("SELECT value FROM metadata WHERE name = 'bounds'").fetchone()
    try:
        west, south, east, north = (float(v) for v in row[0].split(",")) if row else box
    except ValueError:
        return box
    return LonLatBox(min(west, box.west), min(south, box.south), max(east, box.east), max(north, box.north))

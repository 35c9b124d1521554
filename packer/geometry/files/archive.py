"""Zip archives: KMZ with all its KML files, and Shapefiles that were packed for sending."""

from __future__ import annotations

import contextlib
import posixpath
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote, urlsplit

from packer.geometry.files.drawing import Drawing, plain
from packer.geometry.files.kml import read_kml

__all__ = ["opened_zip", "read_kmz", "read_linked_kml"]

LARGEST_UNPACKED_MB = 32
MOST_FILES = 1_000


@contextlib.contextmanager
def opened_zip(path: Path) -> Iterator[zipfile.ZipFile]:
    """A zip archive that unpacks to no more than can be worked with. Raises ValueError, also for what comes of reading
    it inside the block, where it is damaged or wants a password."""
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            size = sum(member.file_size for member in members)
            if len(members) > MOST_FILES or size > LARGEST_UNPACKED_MB * 1_000_000:
                raise ValueError(
                    f"it unpacks to over {LARGEST_UNPACKED_MB} MB or {MOST_FILES:,} files; keep only what the "
                    "brief needs"
                )
            yield archive
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError):
        # RuntimeError is what it raises where a password is wanted.
        raise ValueError("it is not a complete zip archive, or it has a password; copy it again") from None


def read_kmz(path: Path) -> Drawing:
    """All KML files in an archive, the first one (or doc.kml) first; so links among them need not be followed.

    Raises ValueError, worded for the planner.
    """
    drawing = Drawing()
    with opened_zip(path) as archive:
        names = [member.filename for member in archive.infolist() if not member.is_dir()]
        inside = sorted(
            (n for n in names if n.lower().endswith(".kml")), key=lambda n: n.lower() != "doc.kml"
        )
        if not inside:
            raise ValueError("it has no KML file in it, so it is not a KMZ")
        known = {posixpath.normpath(name).lower() for name in inside}
        for name in inside:
            with archive.open(name) as file:
                links = read_kml(file, drawing, (name,) if len(inside) > 1 else ())
            _note_links(drawing, links, posixpath.dirname(name), known)
        for name in names:
            if name.lower().endswith((".kmz", ".zip")):
                drawing.links.append(f"{plain(name)}, an archive inside it")
    return drawing


def read_linked_kml(path: Path) -> Drawing:
    """A KML file by itself. Raises ValueError, worded for the planner."""
    drawing = Drawing()
    with path.open("rb") as file:
        links = read_kml(file, drawing)
    _note_links(drawing, links, "", set())
    return drawing


def _note_links(drawing: Drawing, links: list[str], folder: str, known: set[str]) -> None:
    for link in links:
        address = urlsplit(link) if "://" in link else None
        inner = posixpath.normpath(posixpath.join(folder, unquote(link.split("#")[0].split("?")[0]))).lower()
        if address is None and inner in known:
            continue
        # Of an address no more than its host: the rest may hold a key.
        drawing.links.append(
            plain(address.hostname or "another file") if address else plain(link.split("?")[0])
        )

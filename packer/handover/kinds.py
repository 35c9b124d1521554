"""The three kinds of copy, each with its predicted size and how it is written and read back."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from packer.content.digest import body_hash
from packer.errors import InputError, StoreError
from packer.geometry.tileset import Tile, TileSet
from packer.handover.ground import degrees, extent, middle
from packer.handover.loose import TILEJSON, read_sums, tilejson, write_loose
from packer.handover.target import cluster_bytes, put_text, sync_file
from packer.store.sealed_file import SealedFile
from packer.store.sealed_gpkg import GeopackageSize, GpkgContents, write_geopackage
from packer.store.sealed_mbtiles import MbtilesSize, write_mbtiles
from packer.store.snapshot_reader import ContentDigest, TileBatch
from packer.store.staged_file import Resume

__all__ = ["About", "As", "Findings", "PredictedSize", "file_name", "read_back", "refuse_unfit", "write"]

As = Literal["mbtiles", "gpkg", "folder"]
_VECTOR_LABELS_BYTES = 256 * 1024  # names of layers and fields; some kilobytes are usual
_SUM_BYTES = 100  # a line of the list of checksums


@dataclass(frozen=True, slots=True)
class About:
    """What a file says of itself, known before it is written. `newest` is the date of the last fetch."""

    title: str
    layer: str
    part: int
    parts: int
    format: str
    attribution: str
    newest: str

    @property
    def name(self) -> str:
        """One line for people."""
        part = f", part {self.part} of {self.parts}" if self.parts > 1 else ""
        return f"{self.title}: {self.layer}{part}"


@dataclass(frozen=True, slots=True)
class Findings:
    """What is known of the tiles once they have passed through."""

    tiles: TileSet
    tile_px: int
    vector_layers: list[dict[str, Any]] | None


def file_name(kind: As, layer: str, part: int, parts: int) -> str:
    """The name of a file, or of the folder of loose files."""
    if kind == "folder":
        return layer
    return f"{layer}{f'-{part}-of-{parts}' if parts > 1 else ''}.{kind}"


class PredictedSize:
    """What tiles take at most, taken in their order: the size of the file, or of the loose files on the disk of
    `folder`."""

    def __init__(self, kind: As, form: str, folder: Path) -> None:
        self._mbtiles = MbtilesSize() if kind == "mbtiles" else None
        self._gpkg = GeopackageSize() if kind == "gpkg" else None
        self._cluster = cluster_bytes(folder) if kind == "folder" else 1
        self._labels = _VECTOR_LABELS_BYTES if form == "pbf" else 0
        self._count = self._loose = 0

    def add(self, batch: TileBatch) -> None:
        """Take in the next tiles."""
        if self._mbtiles is not None:
            self._mbtiles.add(batch.zoom, batch.x, batch.y, batch.size_bytes)
        elif self._gpkg is not None:
            self._gpkg.add(batch.x, batch.y, batch.size_bytes)
        else:
            self._count += len(batch)
            self._loose += int((-(-batch.size_bytes // self._cluster) * self._cluster).sum())

    @property
    def bytes(self) -> int:
        """What those so far take."""
        if self._mbtiles is not None:
            return self._mbtiles.bytes + self._labels
        if self._gpkg is not None:
            return self._gpkg.bytes
        beside = (_SUM_BYTES * self._count, 4096)
        return self._loose + sum(-(-size // self._cluster) * self._cluster for size in beside)


def write(
    kind: As,
    part: Path,
    about: About,
    tiles: Iterable[tuple[Tile, bytes]],
    found: Callable[[], Findings],
    max_bytes: int | None,
    there: Resume,
) -> int:
    """Write a file, or a folder of loose files, under its hidden name, and bring it to the disk.

    `there` is given the tiles that a handover which was cut off left in the file, before `tiles` is asked for those
    that follow; of loose files those that are just as they should be are left. `found` is asked once the tiles are in.
    Raises UnlikeError if what has the hidden name cannot be gone on with. If the process dies: the next run can go on
    with what has the hidden name. Gives how many loose files were there.
    """
    if kind == "mbtiles":
        write_mbtiles(part, tiles, lambda: _labels(about, found()), max_bytes, there)
        sync_file(part)
    elif kind == "gpkg":
        write_geopackage(part, about.layer, tiles, lambda: _contents(about, found()), max_bytes, there)
        sync_file(part)
    else:
        kept = write_loose(part, tiles, about.format, lambda: found().tiles)
        what = found()
        text = tilejson(_about_json(about, what), about.layer, about.format, what.vector_layers)
        put_text(part / TILEJSON, text)
        return kept
    return 0


def read_back(kind: As, path: Path, on_tile: Callable[[], None]) -> ContentDigest:
    """Read a finished file or folder from its first tile to its last. Raises StoreError if it is not intact."""
    tally = ContentDigest()
    if kind == "folder":
        for loose in read_sums(path):
            data = (path / loose.name).read_bytes()
            if body_hash(data).hex() != loose.sha256:
                raise StoreError(f"{path / loose.name} did not read back as it was written. {_FAILS}")
            tally.add(loose.tile, body_hash(data))
            on_tile()
        return tally
    with SealedFile(path) as sealed:
        fault = sealed.structure_fault(thorough=True)
        if fault is not None:
            raise StoreError(f"{path} did not read back as it was written: {fault}. {_FAILS}")
        for tile, data in sealed.rows():
            tally.add(tile, body_hash(data))
            on_tile()
    return tally


_FAILS = "The disk or card is failing, or is smaller than it claims. Use another one."


def _description(about: About) -> str:
    return f"{about.name}. For viewing, not for positioning; imagery is dated."


def _labels(about: About, found: Findings) -> dict[str, str]:
    """The metadata of MBTiles 1.3, "Metadata"."""
    lon, lat, zoom = middle(found.tiles)
    rows = {
        "name": about.name,
        "format": about.format,
        # Nine decimals are 0.1 mm: a reader that places the picture by them stays on the grid.
        "bounds": ",".join(f"{v:.9f}" for v in degrees(extent(found.tiles))),
        "center": f"{lon:.6f},{lat:.6f},{zoom}",
        "minzoom": str(found.tiles.zooms[0]),
        "maxzoom": str(found.tiles.zooms[-1]),
        "attribution": about.attribution,
        "description": _description(about),
        "type": "baselayer",
        "version": "1",
    }
    if found.vector_layers is not None:
        rows["json"] = json.dumps({"vector_layers": found.vector_layers}, ensure_ascii=False)
    return rows


def _contents(about: About, found: Findings) -> GpkgContents:
    return GpkgContents(
        identifier=about.name,
        # The standard has no place of its own for an attribution.
        description=f"{_description(about)} Attribution: {about.attribution}",
        last_change=about.newest.replace("Z", ".000Z"),
        kind=about.format,
        tile_px=found.tile_px,
        zooms=found.tiles.zooms,
        box=extent(found.tiles),
    )


def _about_json(about: About, found: Findings) -> dict[str, Any]:
    lon, lat, zoom = middle(found.tiles)
    return {
        "name": about.name,
        "description": _description(about),
        "attribution": about.attribution,
        "bounds": [round(v, 6) for v in degrees(extent(found.tiles))],
        "center": [round(lon, 6), round(lat, 6), zoom],
        "minzoom": found.tiles.zooms[0],
        "maxzoom": found.tiles.zooms[-1],
    }


def refuse_unfit(kind: As, layer: str, form: str) -> None:
    """Raise InputError for tiles that the kind of file has no place for."""
    if kind == "gpkg" and form not in ("png", "jpg", "webp"):
        raise InputError(
            f'Layer "{layer}" has vector tiles, but the GeoPackage standard allows only pictures. Hand it over '
            "with --as mbtiles."
        )

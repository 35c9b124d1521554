"""Proof, before the last bar of signal: is every planned tile on board and sound?

Nothing that the fetch noted is taken on trust. The plan is worked out anew by the caller, every stored body
is hashed again and, at full depth, every image decoded to its last pixel, on all cores.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from packer.brief import Brief
from packer.errors import StoreError
from packer.payload import fault_of
from packer.planning import Plan
from packer.store.audit import BadTile, Census, audit_range, census, ranges
from packer.store.findings import save_findings
from packer.store.schema import open_read_only, translated
from packer.tileset import TileSet

__all__ = ["Counts", "LayerFindings", "VerifyReport", "verify"]

_RANGE = 500  # bodies in one piece of work: some 7 MB
_ALONE_BELOW = 2_000  # bodies; starting helpers takes longer than checking these


@dataclass(frozen=True, slots=True)
class Counts:
    """Planned tiles by what became of them: planned = stored + absent + missing + corrupt."""

    planned: int
    stored: int
    absent: int
    missing: int
    corrupt: int


@dataclass(frozen=True, slots=True)
class LayerFindings:
    """What was found of one layer. `missing` and `corrupt` name the tiles; `bad` says why they are corrupt."""

    pack: Path
    counts: Counts
    by_zoom: Mapping[int, Counts]
    missing: TileSet
    corrupt: TileSet
    bad: tuple[BadTile, ...]
    bodies: int
    stray: int

    @property
    def ready(self) -> bool:
        """Nothing missing and nothing corrupt."""
        return self.counts.missing == 0 and self.counts.corrupt == 0


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """The findings for every layer that the plan asks for."""

    layers: Mapping[str, LayerFindings]

    @property
    def ready(self) -> bool:
        """True only if nothing is missing or corrupt in any layer."""
        return all(layer.ready for layer in self.layers.values())

    def as_json(self) -> dict[str, Any]:
        """One plain document."""
        return {"ready": self.ready, "layers": {name: _layer_json(la) for name, la in self.layers.items()}}


def verify(
    brief: Brief,
    plan: Plan,
    store: Path | None = None,
    *,
    on_progress: Callable[[str, int, int], None] = lambda _layer, _done, _all: None,
    processes: int | None = None,
) -> VerifyReport:
    """Hold the packs of a brief against its plan.

    Never writes to a pack; if tiles are corrupt it leaves a list of them beside it, so that the next fetch
    replaces them.

    `on_progress` gets a layer's name, the bodies checked so far and their number. Raises StoreError for a
    pack that is none of ours or that SQLite cannot read; a pack that is not there yet counts as empty.
    """
    folder = store or brief.store_folder
    layers = {}
    for name, layer in plan.layers.items():
        if layer.tiles:
            layers[name] = _verify_layer(
                name, layer.tiles, folder / f"{name}.mbtiles", on_progress, processes
            )
    return VerifyReport(layers)


def _verify_layer(
    name: str,
    planned: TileSet,
    pack: Path,
    on_progress: Callable[[str, int, int], None],
    processes: int | None,
) -> LayerFindings:
    if not pack.exists():
        return _findings(pack, planned, TileSet(), TileSet(), [], 0, 0)
    found = census(pack)
    bad: list[BadTile] = []
    done = 0
    for bodies, some in _audit(pack, found, processes):
        done += bodies
        bad += some
        on_progress(name, done, found.bodies)
    if done != found.bodies:
        raise StoreError(f"{pack} changed while it was being checked. Let the fetch end, then verify again.")
    findings = _findings(pack, planned, found.held, found.absent, bad, done, found.stray)
    save_findings(pack, (b.tile for b in findings.bad))
    return findings


def _findings(
    pack: Path, planned: TileSet, held: TileSet, absent: TileSet, bad: list[BadTile], bodies: int, stray: int
) -> LayerFindings:
    corrupt = planned & TileSet.from_tiles(b.tile for b in bad)
    stored = (planned & held) - corrupt
    none = (planned & absent) - stored - corrupt
    missing = planned - stored - none - corrupt
    sets = [s.by_zoom() for s in (planned, stored, none, missing, corrupt)]
    by_zoom = {zoom: Counts(*(s.get(zoom, 0) for s in sets)) for zoom in planned.zooms}
    counts = Counts(*(sum(s.values()) for s in sets))
    named = tuple(b for b in bad if b.tile in corrupt)
    return LayerFindings(pack, counts, by_zoom, missing, corrupt, named, bodies, stray)


def _audit(pack: Path, found: Census, processes: int | None) -> Iterator[tuple[int, list[BadTile]]]:
    """Every range of the pack's bodies, checked here or by as many processes as there are cores."""
    pieces = list(ranges(found, _RANGE))
    many = processes or os.cpu_count() or 1
    if many == 1 or found.bodies < _ALONE_BELOW:
        _open(pack, found.format)
        try:
            yield from (_audit_piece(piece) for piece in pieces)
        finally:
            _close()
        return
    # Fresh processes: a connection must not be carried over a fork.
    with ProcessPoolExecutor(many, get_context("spawn"), _open, (pack, found.format)) as pool:
        try:
            for work in as_completed([pool.submit(_audit_piece, piece) for piece in pieces]):
                yield work.result()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


_db: sqlite3.Connection | None = None
_path = Path()
_format: str | None = None


def _open(pack: Path, kind: str | None) -> None:
    global _db, _path, _format  # one connection for each process, as its pool's initialiser
    _db, _path, _format = open_read_only(pack), pack, kind


def _close() -> None:
    if _db is not None:
        _db.close()


def _audit_piece(piece: tuple[int, int]) -> tuple[int, list[BadTile]]:
    assert _db is not None
    with translated(_path):
        return audit_range(_db, *piece, lambda data: fault_of(data, _format))


def _layer_json(layer: LayerFindings) -> dict[str, Any]:
    return {
        **_counts_json(layer.counts),
        "by_zoom": {str(zoom): _counts_json(counts) for zoom, counts in layer.by_zoom.items()},
    }


def _counts_json(counts: Counts) -> dict[str, int]:
    return {name: getattr(counts, name) for name in ("planned", "stored", "absent", "missing", "corrupt")}

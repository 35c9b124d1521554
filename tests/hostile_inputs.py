"""Every kind of input that a planner or a stranger can hand to the program: how it is harmed, how it is fed
in, and what must hold afterwards.

An input ends in one of two ways: a clear error, or a right result. Everything else is a defect: an exception
outside the error tree or one that is no sentence, work beyond a limit of time or memory, a file that was
written, changed or removed outside the target folder, a connection, or a result that is wrong.
"""

from __future__ import annotations

import functools
import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests import hostile_packs as packs
from tests import hostile_planning as planning
from tests.hostile_judging import TIME_LIMIT_S, Finding, judged

__all__ = ["KINDS", "TIME_LIMIT_S", "Finding", "Kind", "tried"]


@dataclass(frozen=True, slots=True)
class Kind:
    """`harm` writes an input into a folder from the samples; `feed` hands it to the program.

    `feed` gets the folder of the input and an empty one that may be written to, and raises AssertionError
    where a result is wrong. Below `input/` nothing may change, but for what `own` names: a pack's own folder.
    """

    name: str
    harm: Callable[[random.Random, Path, Path], None]
    feed: Callable[[random.Random, Path, Path], None]
    own: tuple[str, ...] = ()


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("brief (TOML)", planning.harm_brief, planning.feed_brief),
        *(
            Kind(e[1:].upper(), functools.partial(planning.harm_text, e), planning.feed_shape)
            for e in (
                *(".gpx", ".kml", ".geojson", ".topojson", ".geojsons"),
                *(".gml", ".tcx", ".fit", ".csv", ".wkt"),
            )
        ),
        Kind("zip (KMZ and others)", planning.harm_zip, planning.feed_shape),
        Kind("Shapefile, GeoPackage, FlatGeobuf", planning.harm_shape_file, planning.feed_shape),
        Kind("pack in the store", packs.harm_pack, packs.feed_pack, own=("packs",)),
        Kind("pack to merge", packs.harm_merge, packs.feed_merge),
        Kind("foreign MBTiles to take in", packs.harm_foreign, packs.feed_foreign),
        Kind("folder of tiles to take in", packs.harm_loose, packs.feed_loose),
        Kind("handed-over copy", packs.harm_copy, packs.feed_copy),
        Kind("TileJSON", planning.harm_tilejson, planning.feed_tilejson),
        Kind("WMTS capabilities", planning.harm_wmts, planning.feed_wmts),
    )
}


def tried(
    kind: Kind, chance: random.Random, folder: Path, samples: Path, limit_s: float = TIME_LIMIT_S
) -> Finding:
    """Make an input of a kind, hand it to the program, and judge how that ended.

    `folder` is empty and becomes the input's own; `samples` is a folder named "samples" beside or above it.
    Needs the main thread.
    """
    given, out, elsewhere = folder / "input", folder / "out", folder / "tmp"
    for path in (given, out, elsewhere):
        path.mkdir()
    (folder / "precious.txt").write_text("precious\n")
    kind.harm(chance, samples, given)
    return judged(lambda: kind.feed(chance, given, out), folder, kind.own, limit_s)

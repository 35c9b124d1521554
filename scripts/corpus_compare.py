"""How the package reads real shape files, beside an independent reading of each: counts, vertices, length and area.

    PYTHONPATH=. .venv/bin/python scripts/corpus_compare.py FOLDER

Prints the table of docs/files.md and each file that is not read alike; exit code 1 at a crash or a silent loss. Needs
gpxpy, pyshp and fitparse beside the package: pip install gpxpy pyshp fitparse.
"""

from __future__ import annotations

import functools
import json
import multiprocessing
import sys
import warnings
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from corpus_readers import READERS, Reading
from pyproj import Geod

from packer.geometry.files.drawing import Drawing
from packer.geometry.files.positions import check_on_earth
from packer.geometry.files.reading import read_drawing
from packer.geometry.mending import mended

_GEOD = Geod(ellps="WGS84")
_SAME = 1e-9  # relative, of lengths and areas of files in degrees
_TYPES = {"FeatureCollection", "Feature", "Topology", "GeometryCollection"} | {
    f"{many}{kind}" for many in ("", "Multi") for kind in ("Point", "LineString", "Polygon")
}


@dataclass(frozen=True)
class Figures:
    """What is compared of a reading. Length in metres along geodesics; area in square degrees, of all it holds."""

    points: int
    lines: int
    polygons: int
    vertices: int
    length_m: float
    area: float


@dataclass(frozen=True)
class Verdict:
    """How one file came out: `word` is a column of the table, `why` says more."""

    path: Path
    word: str
    why: str = ""


def _ours(path: Path) -> tuple[Figures, list[str]]:
    drawing = read_drawing(path)
    lines = [line for f in drawing.features for line in f.lines]
    rings = [ring for f in drawing.features for ring in f.rings]
    polygons = [list(rings) for f in drawing.features for rings in f.polygons]
    points = [p for f in drawing.features for p in f.points]
    for xy in (
        *lines,
        *rings,
        *(ring for each in polygons for ring in each),
        np.array(points).reshape(-1, 2),
    ):
        check_on_earth(xy)
    return _figures(points, lines + rings, polygons, by_mending=True), _words(drawing)


def _words(drawing: Drawing) -> list[str]:
    links = [f"points elsewhere: {link}" for link in drawing.links]
    return [f"{n} {what.format(s='s', es='es')}" for what, n in drawing.left_out.items()] + links


def _figures(points: list[Any], lines: list[Any], polygons: list[Any], by_mending: bool) -> Figures:
    length = sum(float(_GEOD.line_length(*np.array(line).T)) for line in lines if len(line) > 1)
    vertices = len(points) + sum(map(len, lines)) + sum(len(ring) for rings in polygons for ring in rings)
    area = sum(
        (_mended_area if by_mending else _area)([np.array(r, dtype=float) for r in p]) for p in polygons
    )
    return Figures(len(points), len(lines), len(polygons), vertices, length, float(area))


def _mended_area(rings: list[Any]) -> float:
    return sum(float(shapely.Polygon(p[0], p[1:]).area) for p in mended(rings))


def _area(rings: list[Any]) -> float:
    """Of an outer ring less its holes, parted by another method of GEOS than the package uses."""
    if len(rings[0]) < 3:
        return 0.0
    outer, *holes = (_flat(ring) for ring in rings if len(ring) > 2)
    holes = [
        hole + np.array([360 * round((outer[:, 0].mean() - hole[:, 0].mean()) / 360), 0]) for hole in holes
    ]
    drawn = shapely.Polygon(outer, holes)
    if drawn.is_valid:
        return float(drawn.area)
    whole, *gone = (shapely.make_valid(shapely.Polygon(r), method="structure") for r in (outer, *holes))
    # Where the outer ring does not come first, the largest is it; a ring inside a hole is ground again.
    whole, *gone = sorted((whole, *gone), key=lambda part: -part.area)
    beside = [hole for hole in gone if whole.intersection(hole).area < hole.area * 1e-6]
    gone = [hole for hole in gone if not any(hole is one for one in beside)]
    every = shapely.union_all(gone)
    if sum(hole.area for hole in gone) > every.area * (1 + 1e-9):
        every = functools.reduce(shapely.symmetric_difference, gone)
    return float(shapely.union_all([shapely.difference(whole, every), *beside]).area)


def _flat(ring: Any) -> Any:
    """A ring without steps of over 180°; one that goes round a pole is closed along it."""
    flat = [tuple(ring[0])]
    for lon, lat in ring[1:]:
        flat.append((lon - 360 * round((lon - flat[-1][0]) / 360), lat))
    if abs(turn := flat[-1][0] - flat[0][0]) > 180 and abs(np.ptp(ring[:, 0])) > 1 and abs(turn) < 540:
        pole = 90.0 if np.mean(ring[:, 1]) > 0 else -90.0
        flat += [(flat[-1][0], pole), (flat[0][0], pole), flat[0]]
    return np.array(flat)


def compare(path: Path) -> Verdict:
    """One file, read both ways."""
    warnings.simplefilter("ignore")
    try:
        other: Reading | str = READERS[path.suffix.lower()](path)
    except Exception as fault:  # noqa: BLE001  # the other reader's fault, whatever it is
        other = f"{type(fault).__name__}: {fault}"[:100]
    try:
        ours, words = _ours(path)
    except (ValueError, OSError) as fault:
        if isinstance(other, str) or not (other.points or other.lines or other.polygons):
            return Verdict(path, "refused by both", str(fault))
        return Verdict(path, "refused with a word", str(fault))
    if isinstance(other, str):
        return Verdict(path, "only ours reads it", other)
    theirs = _figures(other.points, other.lines, other.polygons, by_mending=False)
    return _judged(path, ours, theirs, words, other.is_projected)


def _judged(path: Path, ours: Figures, theirs: Figures, words: list[str], is_projected: bool) -> Verdict:
    fewer, more = [], []
    for kind in ("points", "lines", "polygons"):
        mine, other = getattr(ours, kind), getattr(theirs, kind)
        if mine != other:
            (fewer if mine < other else more).append(f"{other} {kind}, ours {mine}")
    said = f"; said: {', '.join(words)}" if words else ""
    if fewer:
        return Verdict(path, "less, with a word" if words else "SILENT LOSS", ", ".join(fewer) + said)
    if more:
        return Verdict(path, "more than the other", ", ".join(more) + said)
    if is_projected:
        return Verdict(path, "alike, projected", f"{theirs.vertices} vertices, ours {ours.vertices}{said}")
    if ours.vertices != theirs.vertices or not np.isclose(
        ours.length_m, theirs.length_m, rtol=_SAME, atol=1e-6
    ):
        less = ours.vertices < theirs.vertices or ours.length_m < theirs.length_m * (1 - _SAME)
        return Verdict(
            path, "SILENT LOSS" if less else "more than the other", f"{theirs} against {ours}{said}"
        )
    if not np.isclose(ours.area, theirs.area, rtol=_SAME, atol=1e-12):
        return Verdict(path, "alike, another area", f"area {theirs.area:.12g}, ours {ours.area:.12g}{said}")
    return Verdict(path, "alike", said)


def files(folder: Path) -> Iterator[Path]:
    """The shape files below a folder; of JSON and tables, those that have any geometry or position in them."""
    for path in sorted(folder.rglob("*")):
        ending = path.suffix.lower()
        if ending == ".xml" and path.parent.name == "gml":
            path = _as_gml(path)
            ending = ".gml"
        if not path.is_file() or ending not in READERS or path.name.startswith("."):
            continue
        if ending in (".json", ".topojson") and not _is_geographic(path):
            continue
        if ending == ".csv" and not _has_positions(path):
            continue
        yield path


def _as_gml(path: Path) -> Path:
    copy = path.with_suffix(".gml")
    if not copy.exists():
        copy.write_bytes(path.read_bytes())
    return copy


def _is_geographic(path: Path) -> bool:
    try:
        document = json.loads(path.read_text("utf-8-sig"))
    except (ValueError, RecursionError):
        return False
    return (
        isinstance(document, dict)
        and document.get("type") in _TYPES
        and "name"
        not in set(document) - {"type"}
        | (
            set()
            if set(document) & {"features", "geometry", "arcs", "coordinates", "geometries"}
            else {"name"}
        )
    )


def _has_positions(path: Path) -> bool:
    head = path.read_text("utf-8-sig", "replace").partition("\n")[0].lower().replace('"', "").split(",")
    return bool({"longitude", "lon"} & set(map(str.strip, head)))


def main(folder: Path) -> int:
    """Compare all files, each of them in a process that a crash may end."""
    verdicts: list[Verdict] = []
    pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))
    for done, path in enumerate(dict.fromkeys(files(folder)), 1):
        _shown(done)
        try:
            verdicts.append(pool.submit(compare, path).result(timeout=300))
        except BrokenProcessPool:
            verdicts.append(Verdict(path, "CRASH", "the process died"))
            pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))
        except Exception as fault:  # noqa: BLE001  # what this is to find
            verdicts.append(Verdict(path, "CRASH", f"{type(fault).__name__}: {fault}"))
    pool.shutdown()
    _print(folder, verdicts)
    return int(any(v.word in ("CRASH", "SILENT LOSS") for v in verdicts))


def _shown(done: int) -> None:
    if done % 50 == 0:
        print(f"{done:,} files compared", file=sys.stderr, flush=True)


def _print(folder: Path, verdicts: list[Verdict]) -> None:
    words = sorted({v.word for v in verdicts} | {"CRASH", "SILENT LOSS"})
    table: dict[str, Counter[str]] = defaultdict(Counter)
    for verdict in verdicts:
        table[verdict.path.suffix.lower()[1:]][verdict.word] += 1
        table["all"][verdict.word] += 1
    print(f"| kind | files | {' | '.join(words)} |\n|---|--:|{'--:|' * len(words)}")
    for kind in (*sorted(set(table) - {"all"}), "all"):
        row = table[kind]
        print(f"| {kind} | {sum(row.values())} | {' | '.join(str(row[w] or '') for w in words)} |")
    print()
    for verdict in verdicts:
        if verdict.word != "alike" or verdict.why:
            print(f"{verdict.word}: {verdict.path.relative_to(folder)}: {verdict.why}")


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))

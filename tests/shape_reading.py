"""One shape file read as one kind of area: what tests of shape files share."""

from __future__ import annotations

import json
from pathlib import Path

import shapely

from packer.geometry.shapes import Corridor, Polygons, Shape
from packer.planning.brief import Brief
from packer.planning.ground import Ground
from packer.planning.shape_files import AreaSource

__all__ = ["area_of", "lines_of", "places_of", "read_as"]

_REACH = {"line": 'half-width = "100 m"', "points": 'radius = "100 m"', "polygon": ""}


def read_as(
    folder: Path, kind: str, name: str, content: str | bytes | None = None, more: str = ""
) -> tuple[Shape, AreaSource]:
    """The shape of an area "ground" that names the file, after writing it where `content` is given; `more` are further
    lines of the area."""
    if content is not None:
        (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)
    brief = Brief.from_text(
        'title = "t"\n[layers.a]\nurl = "https://t.example.org/{z}/{x}/{y}.jpg"\nattribution = "S"\n'
        f'permission = "O"\nzooms = [0, 19]\n[[areas]]\nname = "ground"\ndeepest = 12\n'
        f"{kind} = {json.dumps(name)}\n{_REACH[kind]}\n{more}\n",
        folder / "brief.toml",
    )
    ground = Ground()
    source = ground.source(brief, brief.areas[0])
    assert source is not None
    return ground.shape(brief, brief.areas[0]), source


def lines_of(shape: Shape) -> list[list[list[float]]]:
    """The lines of a corridor."""
    assert isinstance(shape, Corridor)
    return [line.tolist() for line in shape.lines]


def places_of(shape: Shape) -> list[tuple[str, float, float]]:
    """The waypoints of a corridor."""
    assert isinstance(shape, Corridor)
    return [(p.name, p.lon, p.lat) for p in shape.waypoints]


def area_of(shape: Shape) -> float:
    """The area of all polygons together, in square degrees."""
    assert isinstance(shape, Polygons)
    return float(shapely.union_all([shapely.Polygon(r[0], r[1:]) for r in shape.polygons]).area)

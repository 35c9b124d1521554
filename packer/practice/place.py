"""Ketterling Basin: the invented place that the practice server surveys, and a crew's brief for it."""

from __future__ import annotations

import functools
import json
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from packer.geometry.grid import Floats

__all__ = ["DATA", "Way", "brief_text", "ways", "write_place"]

DATA = Path(__file__).parent / "data"
_GPX = "{http://www.topografix.com/GPX/1/1}"

_BRIEF = """\
title = "Ketterling Basin reconnaissance"
contact = "maps@example.org"

[layers.aerial]
url = "{base_url}/aerial/{{z}}/{{x}}/{{y}}.jpg"
attribution = "Ketterling Practice Survey (invented)"
permission = "Practice server on this machine"
zooms = [0, 19]
connections = 8
requests-per-second = 500

[layers.relief]
url = "{base_url}/relief/{{z}}/{{x}}/{{y}}.png"
attribution = "Ketterling Practice Relief (invented)"
permission = "Practice server on this machine"
zooms = [0, 19]
connections = 8
requests-per-second = 500

[[areas]]
name = "course"
line = "course.gpx"
half-width = "250 m"
deepest = 15

[[areas]]
name = "base camp"
point = [12.5012, 47.1023]
radius = "600 m"
use = "on foot"

[[areas]]
name = "spring"
point = [{spring}]
radius = "400 m"
use = "on foot"

[[areas]]
name = "sectors"
polygon = "sectors.geojson"
deepest = 16
"""


@dataclass(frozen=True, slots=True)
class Way:
    """A road, track or trail as an array (n, 2) of longitude and latitude in degrees."""

    kind: str
    line: Floats


def course_points() -> Floats:
    """The course as (n, 2) degrees, from the stored GPX."""
    tree = ET.parse(DATA / "course.gpx")
    return np.array([(float(p.attrib["lon"]), float(p.attrib["lat"])) for p in tree.iter(f"{_GPX}trkpt")])


def waypoint(name: str) -> tuple[float, float]:
    """Longitude and latitude of one of the course's waypoints. Raises KeyError for an unknown name."""
    for point in ET.parse(DATA / "course.gpx").iter(f"{_GPX}wpt"):
        if point.findtext(f"{_GPX}name") == name:
            return float(point.attrib["lon"]), float(point.attrib["lat"])
    raise KeyError(name)


@functools.lru_cache(maxsize=1)
def ways() -> tuple[Way, ...]:
    """Every road and track, and the course as a trail."""
    stored = json.loads((DATA / "ways.geojson").read_text(encoding="utf-8"))
    found = [Way(f["properties"]["kind"], np.array(f["geometry"]["coordinates"])) for f in stored["features"]]
    return (*found, Way("trail", course_points()))


def brief_text(base_url: str) -> str:
    """A brief for the whole place, with the layers at `base_url`, such as "http://127.0.0.1:8123"."""
    lon, lat = waypoint("Ostrel Spring")
    return _BRIEF.format(base_url=base_url.rstrip("/"), spring=f"{lon}, {lat}")


def write_place(folder: Path | str, base_url: str = "http://127.0.0.1:8123") -> Path:
    """Write course.gpx, sectors.geojson and brief.toml into `folder`, and give back the brief's path.

    Files of these names are replaced. If the process dies: the brief comes last, so a brief that is there
    has its shape files beside it.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("course.gpx", "sectors.geojson"):
        (folder / name).write_bytes((DATA / name).read_bytes())
    brief = folder / "brief.toml"
    brief.write_text(brief_text(base_url), encoding="utf-8", newline="\n")
    return brief

"""The walk along the route, held against geodesics of geographiclib (Karney) on real tracks, metre by metre.

The tracks are those of fixtures/tracks, see fixtures/README.md.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from packer.geometry.grid import tile_bounds
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.proof.depths import Holdings
from packer.proof.report.route_geojson import walk_geojson
from packer.proof.walk import LineWalk, walk

TRACKS = Path(__file__).parent.parent / "fixtures" / "tracks"
WGS84 = Geodesic.WGS84

BRIEF = """
title = "Walk"
overview = false
[layers.survey]
url = "https://tiles.example.org/{{z}}/{{x}}/{{y}}.png"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [{first}, 18]
[[areas]]
name = "course"
line = "{file}"
half-width = "{half_width} m"
deepest = {deepest}
"""


def planned(folder: Path, file: Path, half_width: int = 60, deepest: int = 17, first: int = 10) -> Plan:
    text = BRIEF.format(file=file, half_width=half_width, deepest=deepest, first=first)
    return plan(Brief.from_text(text, folder / "brief.toml"))


def straight(folder: Path, points: list[tuple[float, float]], waypoints: str = "") -> Path:
    """A track through positions in degrees, written as GPX."""
    path = folder / "straight.gpx"
    track = "".join(f'<trkpt lat="{lat}" lon="{lon}"/>' for lon, lat in points)
    path.write_text(
        f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">{waypoints}'
        f"<trk><trkseg>{track}</trkseg></trk></gpx>"
    )
    return path


def walked(
    worked_out: Plan, missing: Iterable[Tile], absent: Iterable[Tile] = (), speed: float | None = None
) -> tuple[LineWalk, ...]:
    lacking, none = TileSet.from_tiles(missing), TileSet.from_tiles(absent)
    stored = worked_out.layers["survey"].tiles - lacking - none
    return walk(worked_out, {"survey": Holdings(stored, lacking, none, speed=speed)})


def depth_at(one: LineWalk, metres: float) -> int | None:
    return next(s.complete_to for s in one.stretches if s.from_m <= metres <= s.to_m)


def places(line: np.ndarray[Any, Any], step_m: float) -> list[tuple[float, float, float]]:
    """(metres, lon, lat) along the geodesics of a line, by geographiclib alone."""
    found, start = [], 0.0
    for (lon, lat), (lon_b, lat_b) in zip(line[:-1].tolist(), line[1:].tolist(), strict=True):
        leg = WGS84.InverseLine(lat, lon, lat_b, lon_b)
        at = np.ceil(start / step_m) * step_m
        while at <= start + leg.s13:
            spot = leg.Position(at - start)
            found.append((float(at), spot["lon2"], spot["lat2"]))
            at += step_m
        start += leg.s13
    return found


def distance_m(lon: float, lat: float, tile: Tile) -> float:
    """Geodesic metres from a position to a tile's square, by a search along its nearest edges."""
    box = tile_bounds(*tile)
    x, y = min(max(lon, box.west), box.east), min(max(lat, box.south), box.north)
    if (x, y) == (lon, lat):
        return 0.0
    spots = [(x, y)]
    if not box.west <= lon <= box.east:  # the shortest way to a meridian leans poleward
        spots += [(x, min(max(lat + d, box.south), box.north)) for d in np.linspace(-2e-5, 2e-5, 9)]
    return float(min(WGS84.Inverse(lat, lon, v, u)["s12"] for u, v in spots))


@pytest.mark.parametrize(
    "name", ["Mojstrovka", "cerknicko-jezero", "around-visnjan-with-car", "korita-zbevnica"]
)
def test_gaps_are_where_geodesics_find_a_missing_tile_within_the_half_width(
    tmp_path: Path, name: str
) -> None:
    worked_out = planned(tmp_path, TRACKS / f"{name}.gpx")
    tiles = worked_out.layers["survey"].tiles
    chance = random.Random(name)
    missing = {t for t in tiles if t.zoom >= 14 and chance.random() < 0.12}
    shape = worked_out.shapes["course"]
    lines = [line for line in shape.lines if len(line) > 1]  # type: ignore[union-attr]  # a corridor
    walks = walked(worked_out, missing)
    assert len(walks) == len(lines)
    looked = gaps = 0
    for one, line in zip(walks, lines, strict=True):
        length = sum(WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"] for a, b in pairwise(line))
        assert one.length_m == pytest.approx(length, abs=0.01)
        for metres, lon, lat in places(line, max(37.0, length / 40)):
            if (
                not 2 < metres < length - 2
                or min(abs(metres - c) for s in one.stretches for c in (s.from_m, s.to_m)) < 2
            ):
                continue  # gaps are rounded to whole metres
            expected: int | None = None
            for zoom in tiles.zooms:
                if any(distance_m(lon, lat, t) <= 60 for t in missing if t.zoom == zoom):
                    break
                expected = zoom
            assert depth_at(one, metres) == expected, (metres, lon, lat)
            looked += 1
            gaps += expected != 17
    assert looked > 30
    assert gaps > 3


def test_a_gap_cut_at_a_known_kilometre_is_reported_within_a_tile(tmp_path: Path) -> None:
    """Tiles whose squares the line crosses between km 4 and km 6 go; the ends are out by less than a tile and
    the half-width."""
    worked_out = planned(tmp_path, straight(tmp_path, [(12.4, 47.05), (12.55, 47.05)]), 100, 16)
    tiles = worked_out.layers["survey"].tiles
    line = WGS84.InverseLine(47.05, 12.4, 47.05, 12.55)
    cut = set()
    for metres in range(4000, 6001, 5):
        spot = line.Position(metres)
        for t in tiles.at(16):
            box = tile_bounds(*t)
            if box.west <= spot["lon2"] <= box.east and box.south <= spot["lat2"] <= box.north:
                cut.add(t)
    (one,) = walked(worked_out, cut, speed=2.0)
    (gap,) = one.gaps
    side_m = 40075016.7 / 2**16 * np.cos(np.radians(47.05))
    assert 4000 - side_m - 101 <= gap.from_m <= 4000
    assert 6000 <= gap.to_m <= 6000 + side_m + 101
    assert (gap.complete_to, gap.missing, gap.absent) == (15, len(cut), 0)
    assert gap.seconds == len(cut) / 2
    spot = line.Position(gap.from_m)
    assert gap.start == pytest.approx((spot["lon2"], spot["lat2"]), abs=1e-6)


def test_stretches_take_in_the_whole_line_once(tmp_path: Path) -> None:
    worked_out = planned(tmp_path, TRACKS / "Mojstrovka.gpx", 100, 16)
    chance = random.Random(4)
    for share in (0.0, 0.02, 0.3, 1.0):
        missing = {t for t in worked_out.layers["survey"].tiles if chance.random() < share}
        for one in walked(worked_out, missing):
            ends = [m for s in one.stretches for m in (s.from_m, s.to_m)]
            assert ends[0] == 0
            assert ends[-1] == one.length_m
            assert ends[1:-1:2] == ends[2::2]
            assert all((a.complete_to, a.held) != (b.complete_to, b.held) for a, b in pairwise(one.stretches))
            if share == 0:
                assert one.gaps == ()
            if share == 1:
                assert [s.complete_to for s in one.stretches] == [None]


def test_a_hole_high_up_counts_for_all_zooms_below_it(tmp_path: Path) -> None:
    worked_out = planned(tmp_path, straight(tmp_path, [(12.4, 47.05), (12.42, 47.05)]), 100, 16)
    top = next(iter(worked_out.layers["survey"].tiles.at(12)))
    (one,) = walked(worked_out, {top})
    assert {s.complete_to for s in one.gaps} == {11}


def test_what_the_server_has_not_is_a_gap_that_no_fetch_closes(tmp_path: Path) -> None:
    worked_out = planned(tmp_path, straight(tmp_path, [(12.4, 47.05), (12.42, 47.05)]), 100, 16)
    tile = list(worked_out.layers["survey"].tiles.at(16))[3]
    (one,) = walked(worked_out, set(), {tile}, speed=1.0)
    (gap,) = one.gaps
    assert (gap.missing, gap.absent, gap.seconds) == (0, 1, None)


@pytest.mark.parametrize("lat", [0.0, -52.0, 71.0])
def test_across_the_antimeridian_a_gap_is_found_on_the_other_side(tmp_path: Path, lat: float) -> None:
    worked_out = planned(tmp_path, straight(tmp_path, [(179.98, lat), (-179.98, lat)]), 200, 15)
    tiles = worked_out.layers["survey"].tiles
    far = {t for t in tiles.at(15) if t.x == 0}
    (one,) = walked(worked_out, far)
    (gap,) = one.gaps
    half = one.length_m / 2
    side_m = 40075016.7 / 2**15 * np.cos(np.radians(lat))
    assert gap.from_m == pytest.approx(half - 200, abs=3)
    assert gap.to_m == pytest.approx(min(half + side_m + 200, one.length_m), abs=8)
    drawn = walk_geojson([one])
    for feature in drawn["features"]:
        parts = feature["geometry"]["coordinates"]
        for part in parts if feature["geometry"]["type"] == "MultiLineString" else [parts]:
            assert all(abs(b[0] - a[0]) < 180 for a, b in pairwise(part))


def test_waypoints_that_stand_on_a_gap_are_named_with_their_kilometre(tmp_path: Path) -> None:
    points = "".join(
        f'<wpt lat="47.0501" lon="{lon}"><name>{name}</name></wpt>'
        for lon, name in ((12.41, "Spring"), (12.43, "Ford"))
    )
    worked_out = planned(tmp_path, straight(tmp_path, [(12.4, 47.05), (12.45, 47.05)], points), 100, 16)
    tiles = worked_out.layers["survey"].tiles
    under = {t for t in tiles.at(16) if tile_bounds(*t).west <= 12.43 <= tile_bounds(*t).east}
    (one,) = walked(worked_out, under)
    (stop,) = one.stops
    assert (stop.waypoint.name, stop.complete_to) == ("Ford", 15)
    assert stop.at_m == pytest.approx(WGS84.Inverse(47.05, 12.4, 47.05, 12.43)["s12"], abs=130)


def test_the_document_is_plain_and_the_geojson_has_every_stretch(tmp_path: Path) -> None:
    worked_out = planned(tmp_path, TRACKS / "Mojstrovka.gpx", 100, 16)
    chance = random.Random(1)
    missing = {t for t in worked_out.layers["survey"].tiles.at(16) if chance.random() < 0.2}
    walks = walked(worked_out, missing)
    said = json.loads(json.dumps([w.to_dict() for w in walks]))
    assert said[0]["area"] == "course"
    assert said[0]["stretches"][0].keys() >= {"from_km", "to_km", "complete_to"}
    drawn = json.loads(json.dumps(walk_geojson(walks)))
    lines = [f for f in drawn["features"] if f["geometry"]["type"] == "LineString"]
    assert len(lines) == sum(len(w["stretches"]) for w in said)
    length = 0.0
    for feature in lines:
        xy = feature["geometry"]["coordinates"]
        length += sum(WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"] for a, b in pairwise(xy))
    assert length == pytest.approx(sum(w.length_m for w in walks), rel=2e-3)  # six digits of a degree


def long_line(folder: Path) -> Path:
    lon = np.linspace(5, 24, 20_000)
    lat = 46 + np.sin(np.linspace(0, 9, lon.size))
    return straight(folder, list(zip(lon.tolist(), lat.tolist(), strict=True)))


@pytest.mark.parametrize(
    "pick", [lambda t: True, lambda t: t.zoom >= 14 and t.x * 7919 % 101 == 0], ids=["all", "many"]
)
def test_a_line_of_1700_km_takes_a_moment(tmp_path: Path, pick: Callable[[Tile], bool]) -> None:
    """Bounded by work, not by a clock: the walk looks at a number of pairs that grows with the line alone."""
    worked_out = planned(tmp_path, long_line(tmp_path), 500, 16)
    missing = {t for t in worked_out.layers["survey"].tiles if pick(t)}
    (one,) = walked(worked_out, missing)
    assert one.length_m > 1_500_000
    assert one.gaps

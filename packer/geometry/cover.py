"""Which tiles a shape on the ground touches.

Three rules, recorded with every plan as `RULE`:

* corridor (lines and points with a half-width): a tile is in exactly when some point of its square lies
  within the half-width of the line, in metres along the WGS84 ellipsoid, edges included. Between its given
  points a line runs along the geodesic.
* polygon: a tile is in when its square and the polygon overlap. Edges are straight in longitude and latitude
  (RFC 7946, 3.1.1).
* box: as a polygon.

An overlap of polygon or box by less than 1e-6 of a tile does not count, as in OGC 17-083r4, Annex I, so that
a box drawn along tile edges gives just those tiles.

Only the deepest zoom is computed from the shape. A square touches a shape exactly when one of its four quarters
does, so the zooms above follow by halving (`TileSet.pyramid`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from packer.errors import PlanError
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import (
    MAX_LATITUDE,
    Floats,
    Ints,
    LonLatBox,
    ground_scale,
    latitude_at,
    longitude_at,
    x_at,
    y_at,
)
from packer.geometry.tileset import TileSet

__all__ = ["RULE", "Chunks", "chunked", "cover_box", "cover_corridor", "cover_polygon", "spread"]

RULE = "cover 1: corridors by WGS84 distance, edges included; polygons and boxes by overlap over 1e-6 tile"

_EARTH_M = 6371008.8
_LEG_M = 20_000.0  # short enough that a leg stays within 100 m of the latitudes of its ends
_SLIVER = 1e-6  # of a tile, OGC 17-083r4 Annex I
_LOT = 200_000  # pairs of piece and row, and tiles to decide, held at once: some 40 MB of arrays
# Each is some ten seconds and half a gigabyte: twice what a line of 2,000 km with 10 km to each side takes at zoom 20.
_MOST_WORK, _MOST_WORK_A_PIECE, _MOST_ROWS = 20_000_000, 500_000, 5_000_000


def _refuse_boundless(work: float, most: float, zoom: int) -> None:
    if work > most:
        raise PlanError(
            f"An area is too large for zoom {zoom}. Lower its deepest zoom, narrow it, or split it."
        )


@dataclass(frozen=True, slots=True)
class Chunks:
    """Short straight pieces of line, from a to b: four float64 arrays of degrees of one length.

    From `lon_a` to `lon_b` there is no jump at ±180. A point is a piece of length 0.
    """

    lon_a: Floats
    lat_a: Floats
    lon_b: Floats
    lat_b: Floats

    def __len__(self) -> int:
        return int(self.lon_a.size)

    @property
    def poleward(self) -> Floats:
        """The absolute latitude of the end that is nearer to a pole."""
        return np.maximum(np.abs(self.lat_a), np.abs(self.lat_b))

    def part(self, pick: slice | Ints) -> Chunks:
        """Some of the pieces, by slice or by index array."""
        return Chunks(self.lon_a[pick], self.lat_a[pick], self.lon_b[pick], self.lat_b[pick])


def chunked(lines: Sequence[Floats], longest_m: float) -> Chunks:
    """Cut lines, each an array (n, 2) of lon and lat in degrees, into pieces of at most `longest_m` along geodesics.

    A piece that is straight in degrees and s metres long departs from its geodesic by up to s² tan φ / 8R. Past 45°
    of latitude the pieces shrink as tan φ grows, so that with 500 m they depart by less than 5 mm everywhere.
    """
    starts = np.concatenate([line[:-1] if len(line) > 1 else line for line in lines])
    ends = np.concatenate([line[1:] if len(line) > 1 else line for line in lines])
    # In two steps, since the middle of a long leg can be far poleward of both its ends.
    legs = _cut(Chunks(starts[:, 0], starts[:, 1], ends[:, 0], ends[:, 1]), np.full(len(starts), _LEG_M))
    tan = np.tan(np.radians(np.minimum(legs.poleward, MAX_LATITUDE)))
    return _cut(legs, longest_m / np.sqrt(np.maximum(tan, 1.0)))


def _cut(legs: Chunks, longest_m: Floats) -> Chunks:
    azimuth, _, length = GEOD.inv(legs.lon_a, legs.lat_a, legs.lon_b, legs.lat_b)
    pieces = np.maximum(np.ceil(length / longest_m).astype(np.int64), 1)
    leg, step = spread(np.zeros(len(legs), dtype=np.int64), pieces - 1)
    lon, lat, _ = GEOD.fwd(legs.lon_a[leg], legs.lat_a[leg], azimuth[leg], length[leg] * step / pieces[leg])
    first = step == 0  # given points stay exactly as they are
    lon[first], lat[first] = legs.lon_a, legs.lat_a
    last = np.append(first[1:], True)
    lon_b, lat_b = np.append(lon[1:], 0.0), np.append(lat[1:], 0.0)
    lon_b[last], lat_b[last] = legs.lon_b, legs.lat_b
    return Chunks(lon, lat, lon + (lon_b - lon + 180.0) % 360.0 - 180.0, lat_b)


def cover_corridor(lines: Sequence[Floats], half_width_m: float, zoom: int) -> TileSet:
    """The tiles of one zoom whose squares come within `half_width_m` of any of the lines.

    `lines` are arrays (n, 2) of lon and lat in degrees within ±85.0511; half-widths up to 100 km. Only a tile whose
    distance is within 1 cm of the half-width may be judged either way. Raises PlanError for more work than any real
    area needs.
    """
    # A geodesic for every tile would be far slower. So for each piece and row of tiles the ground is first taken as a
    # plane, with the scale of their middle latitude. That settles all tiles that are inside or outside by more than the
    # plane's error; geodesics decide the few between, unless another piece has them in already.
    chunks = _in_reach(chunked(lines, float(np.clip(half_width_m / 2, 250.0, 500.0))), half_width_m)
    lots = list(_lots(chunks, half_width_m, zoom))
    sure = TileSet.union(_sure(lot, half_width_m, zoom) for lot in lots)
    return TileSet.union([sure, *(_decided(lot, half_width_m, zoom, sure) for lot in lots)])


def _in_reach(chunks: Chunks, half_width_m: float) -> Chunks:
    """Without the pieces that are too near a pole to reach the grid's square: there the plane has no scale."""
    nearer = np.minimum(np.abs(chunks.lat_a), np.abs(chunks.lat_b))
    return chunks.part(np.flatnonzero(nearer <= MAX_LATITUDE + _margin(half_width_m)))


def _margin(half_width_m: float) -> float:
    """Degrees of latitude that are more than the half-width anywhere on the ellipsoid."""
    _, north_m = ground_scale(0.0)  # a degree of latitude is shortest at the equator
    return float(np.degrees((half_width_m * 1.02 + 1.0) / north_m))


def _lots(chunks: Chunks, half_width_m: float, zoom: int) -> Iterator[Chunks]:
    """The pieces in lots of some `_LOT` rows and tiles to decide, so that memory is bounded. Raises PlanError."""
    first, last = _row_range(chunks, half_width_m, zoom)
    farthest = np.minimum(chunks.poleward + _margin(half_width_m), MAX_LATITUDE)
    tile_m = ground_scale(farthest)[0] * 2 * np.pi / (1 << zoom)
    # Tiles of a row that the plane cannot place: a band, twice the error wide, along each edge of the corridor.
    unsure = np.minimum(4 * _plane_error_m(chunks, half_width_m) / tile_m, 1 << zoom)
    work = np.cumsum((last - first + 1) * (1 + unsure))
    if len(chunks):
        _refuse_boundless(float(work[-1]), _MOST_WORK, zoom)
        _refuse_boundless(float(np.diff(work, prepend=0.0).max()), _MOST_WORK_A_PIECE, zoom)
    start = 0
    while start < len(chunks):
        done = work[start - 1] if start else 0.0
        stop = max(start + 1, int(np.searchsorted(work, done + _LOT, side="right")))
        yield chunks.part(slice(start, stop))
        start = stop


def _row_range(chunks: Chunks, half_width_m: float, zoom: int) -> tuple[Ints, Ints]:
    """First and last row that each piece can reach, sometimes a row more."""
    margin, n = _margin(half_width_m), 1 << zoom
    top = y_at(np.maximum(chunks.lat_a, chunks.lat_b) + margin) * n
    bottom = y_at(np.minimum(chunks.lat_a, chunks.lat_b) - margin) * n
    first, last = (np.clip(np.floor(y), 0, n - 1).astype(np.int64) for y in (top, bottom))
    return first, last


def spread(first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """Every (index, value) with first[index] <= value <= last[index]; empty where last < first."""
    count = np.maximum(last - first + 1, 0)
    index = np.repeat(np.arange(len(first)), count)
    return index, first[index] + np.arange(len(index)) - np.repeat(np.cumsum(count) - count, count)


def _sure(chunks: Chunks, half_width_m: float, zoom: int) -> TileSet:
    """The tiles that are within the half-width by more than the plane's error."""
    index, row = spread(*_row_range(chunks, half_width_m, zoom))
    reach_m = np.maximum(half_width_m - _plane_error_m(chunks, half_width_m), 0.0)
    first, last = _columns(chunks.part(index), row, reach_m[index], zoom)
    hit = last >= first
    return _wrapped(zoom, row[hit], first[hit], last[hit])


def _decided(chunks: Chunks, half_width_m: float, zoom: int, sure: TileSet) -> TileSet:
    """The tiles that the plane leaves open, no other piece has in `sure`, and a geodesic finds near enough."""
    error = _plane_error_m(chunks, half_width_m)
    index, row = spread(*_row_range(chunks, half_width_m, zoom))
    outer_first, outer_last = _columns(chunks.part(index), row, half_width_m + error[index], zoom)
    # Rows of which other pieces have every tile in already need no decision.
    whole = sure.contains_runs(zoom, row, outer_first, outer_last)
    index, row, outer_first, outer_last = (v[~whole] for v in (index, row, outer_first, outer_last))
    pairs = chunks.part(index)
    inner_first, inner_last = _columns(pairs, row, np.maximum(half_width_m - error[index], 0.0), zoom)
    # Where the inner reach misses the row, every column of the outer reach is open: an empty inner run after its end
    # leaves all of it on the left.
    none = inner_last < inner_first
    inner_first = np.where(none, outer_last + 1, inner_first)
    inner_last = np.where(none, outer_last, inner_last)
    left, column_left = spread(outer_first, inner_first - 1)
    right, column_right = spread(inner_last + 1, outer_last)
    pair, column = np.concatenate([left, right]), np.concatenate([column_left, column_right])
    unsure = ~sure.contains(zoom, column % (1 << zoom), row[pair])
    pair, column = pair[unsure], column[unsure]
    near = _distance_m(pairs.part(pair), zoom, column, row[pair]) <= half_width_m
    return _wrapped(zoom, row[pair][near], column[near], column[near])


def _plane_error_m(chunks: Chunks, half_width_m: float) -> Floats:
    """An upper bound on the plane's error at the edge of the corridor, in metres for each piece.

    It has two causes. One scale serves the whole piece, and is that of a latitude up to three quarters of the piece's
    latitude range from where the corridor reaches farthest. And the shortest way leans poleward of the parallel, by
    h³ tan² φ / 6R² for a half-width h. The tests compare it with geodesics.
    """
    tan = np.tan(np.radians(chunks.poleward))
    # A degree of latitude has at most 111,700 m, at the poles.
    stretch_m = np.abs(chunks.lat_b - chunks.lat_a) * 111_700.0
    first_order = (1 + tan) * stretch_m / _EARTH_M
    lean = (half_width_m / _EARTH_M) ** 2 * (1 + tan**2) / 4
    return half_width_m * (first_order + lean) + 0.002


def _columns(pairs: Chunks, row: Ints, reach_m: Floats, zoom: int) -> tuple[Ints, Ints]:
    """First and last column that each (piece, row) reaches; last < first where it does not reach the row."""
    n = 1 << zoom
    north, south = latitude_at(row / n), latitude_at((row + 1) / n)
    # The corridor round a straight piece is convex and reaches farthest east beside the piece's eastern end. So within
    # the row it reaches farthest on the parallel nearest to that end; the same holds in the west.
    east_is_b = pairs.lon_b >= pairs.lon_a
    east_end = np.where(east_is_b, pairs.lat_b, pairs.lat_a)
    west_end = np.where(east_is_b, pairs.lat_a, pairs.lat_b)
    east = _reach(pairs, np.clip(east_end, south, north), reach_m, +1.0)
    west = _reach(pairs, np.clip(west_end, south, north), reach_m, -1.0)
    hit = np.isfinite(east) & np.isfinite(west)
    first = np.floor(x_at(np.where(hit, west, 0.0)) * n).astype(np.int64)
    last = np.floor(x_at(np.where(hit, east, 0.0)) * n).astype(np.int64)
    return first, np.where(hit, last, first - 1)


def _reach(pairs: Chunks, lat: Floats, reach_m: Floats, side: float) -> Floats:
    """Longitude of the corridor's edge east (side +1) or west (-1) of each piece along the parallel `lat`.

    The corridor round one piece is a disc at each end and a rectangle between them; its edge along a parallel is
    the outermost of the three. Infinite where the parallel misses all of them.
    """
    # u is in metres east of a, v in metres north of the parallel.
    east_m, north_m = (np.radians(s) for s in ground_scale((lat + (pairs.lat_a + pairs.lat_b) / 2) / 2))
    ub = (pairs.lon_b - pairs.lon_a) * east_m
    va, vb = (pairs.lat_a - lat) * north_m, (pairs.lat_b - lat) * north_m
    rise = vb - va
    length = np.hypot(ub, rise)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        disc_a = side * np.sqrt(reach_m**2 - va**2)
        disc_b = ub + side * np.sqrt(reach_m**2 - vb**2)
        # The rectangle's edge on this side is the piece moved by `reach_m` in the direction (nu, nv); `along` is where
        # the parallel crosses it, 0 at a and 1 at b.
        nu, nv = side * np.abs(rise) / length, -side * np.sign(rise) * ub / length
        along = -(va + nv * reach_m) / rise
        edge = np.where((along >= 0) & (along <= 1), along * ub + nu * reach_m, np.nan)
    outermost = side * np.fmax(np.fmax(side * disc_a, side * disc_b), side * edge)
    return np.where(np.isnan(outermost), np.inf, pairs.lon_a + outermost / east_m)


def _distance_m(pairs: Chunks, zoom: int, column: Ints, row: Ints) -> Floats:
    """Geodesic metres between each piece and the square of its tile, which must not overlap.

    Of the two nearest points of a straight piece and a rectangle, one is an end of the piece or a corner of the
    rectangle, so two ends and four corners are tried. The point opposite is found on a sphere: if that puts it wrong by
    e metres at a distance d, the distance found is too long by only e² / 2d.
    """
    n = 1 << zoom
    west, east = longitude_at(column / n), longitude_at((column + 1) / n)
    north, south = latitude_at(row / n), latitude_at((row + 1) / n)
    best = np.full(len(pairs), np.inf)
    for lon, lat in ((pairs.lon_a, pairs.lat_a), (pairs.lon_b, pairs.lat_b)):
        to_lon = np.clip(lon, west, east)
        # The shortest way from a point to a meridian meets it poleward of the point (right spherical triangle).
        lean = np.degrees(np.arctan(np.tan(np.radians(lat)) / np.cos(np.radians(to_lon - lon))))
        best = np.minimum(best, GEOD.inv(lon, lat, to_lon, np.clip(lean, south, north))[2])
    piece_azimuth, _, piece_m = GEOD.inv(pairs.lon_a, pairs.lat_a, pairs.lon_b, pairs.lat_b)
    for lon, lat in ((west, north), (east, north), (west, south), (east, south)):
        azimuth, _, corner_m = GEOD.inv(pairs.lon_a, pairs.lat_a, lon, lat)
        foot_m = _EARTH_M * np.arctan(
            np.cos(np.radians(azimuth - piece_azimuth)) * np.tan(corner_m / _EARTH_M)
        )
        share = np.clip(foot_m / np.maximum(piece_m, 1e-9), 0.0, 1.0)
        foot_lon = pairs.lon_a + share * (pairs.lon_b - pairs.lon_a)
        foot_lat = pairs.lat_a + share * (pairs.lat_b - pairs.lat_a)
        best = np.minimum(best, GEOD.inv(foot_lon, foot_lat, lon, lat)[2])
    return best


def _wrapped(zoom: int, rows: Ints, first: Ints, last: Ints) -> TileSet:
    """The tiles of runs whose columns may pass the antimeridian on either side."""
    n = 1 << zoom
    # A run is moved by whole turns until its first column is on the grid; what then lies past the last column goes on
    # from column 0.
    whole = last - first + 1 >= n
    shift = np.where(whole, 0, first // n * n)
    first, last = np.where(whole, 0, first - shift), np.where(whole, n - 1, last - shift)
    over = last >= n
    return TileSet.from_runs(
        zoom,
        np.concatenate([rows, rows[over]]),
        np.concatenate([first, np.zeros(int(over.sum()), dtype=np.int64)]),
        np.concatenate([np.minimum(last, n - 1), last[over] - n]),
    )


def _span(low: Floats, high: Floats) -> tuple[Ints, Ints]:
    """First and last column or row of a span in tiles; an overlap of less than `_SLIVER` does not count."""
    return np.floor(low + _SLIVER).astype(np.int64), np.floor(high - _SLIVER).astype(np.int64)


def cover_box(box: LonLatBox, zoom: int) -> TileSet:
    """The tiles of one zoom that a box overlaps: at least one. West > east crosses the antimeridian.

    Raises PlanError for more rows than any real area has.
    """
    n = 1 << zoom
    east = box.east + 360.0 if box.west > box.east else box.east
    first, last = _span(x_at(box.west) * n, x_at(east) * n)
    top, bottom = _span(y_at(box.north) * n, y_at(box.south) * n)
    top = np.clip(top, 0, n - 1)
    _refuse_boundless(float(bottom - top), _MOST_ROWS, zoom)
    rows = np.arange(int(top), int(max(np.minimum(bottom, n - 1), top)) + 1, dtype=np.int64)
    return _wrapped(zoom, rows, np.full(rows.size, first), np.full(rows.size, np.maximum(last, first)))


def cover_polygon(rings: Sequence[Floats], zoom: int) -> TileSet:
    """The tiles of one zoom that a polygon overlaps.

    `rings` are closed arrays (n, 2) of lon and lat in degrees without a jump at ±180, the outer one and its holes in
    any order: inside is where a ray crosses an odd number of edges. Raises PlanError for more work than any real area
    needs.
    """
    # A tile that no edge passes through is inside or outside as a whole, so one line through the middle of its row
    # tells which. The others are those that the edges pass through.
    n = 1 << zoom
    a = np.concatenate([ring[:-1] for ring in rings])
    b = np.concatenate([ring[1:] for ring in rings])
    ya, yb = y_at(a[:, 1]) * n, y_at(b[:, 1]) * n
    top, bottom = _span(np.minimum(ya, yb), np.maximum(ya, yb))
    _refuse_boundless(float(np.maximum(bottom - top, 0).sum()), _MOST_ROWS, zoom)
    runs = [_edge_runs(a, b, *spread(top, np.minimum(bottom, n - 1)), zoom)]
    runs.append(_middle_runs(a, b, ya, yb, zoom))
    rows, first, last = (np.concatenate(each) for each in zip(*runs, strict=True))
    return _wrapped(zoom, rows, first, last)


def _edge_runs(a: Floats, b: Floats, edge: Ints, row: Ints, zoom: int) -> tuple[Ints, Ints, Ints]:
    """The columns that each edge passes through in each of its rows."""
    n = 1 << zoom
    lat_a, lat_b = a[edge, 1], b[edge, 1]
    lon_a, lon_b = a[edge, 0], b[edge, 0]
    level = lat_a == lat_b  # along the parallel: all of the edge is in its one row
    rise = np.where(level, 1.0, lat_b - lat_a)
    t_north = np.where(level, 0.0, np.clip((latitude_at(row / n) - lat_a) / rise, 0.0, 1.0))
    t_south = np.where(level, 1.0, np.clip((latitude_at((row + 1) / n) - lat_a) / rise, 0.0, 1.0))
    x_north = x_at(lon_a + t_north * (lon_b - lon_a)) * n
    x_south = x_at(lon_a + t_south * (lon_b - lon_a)) * n
    first, last = _span(np.minimum(x_north, x_south), np.maximum(x_north, x_south))
    some = last >= first
    return row[some], first[some], last[some]


def _middle_runs(a: Floats, b: Floats, ya: Floats, yb: Floats, zoom: int) -> tuple[Ints, Ints, Ints]:
    """The columns between each pair of edges that the middle line of a row crosses."""
    n = 1 << zoom
    low, high = np.minimum(ya, yb), np.maximum(ya, yb)
    # From `low` up to but without `high`, so that a corner on a middle line counts for one of its two edges and the
    # crossings of each row come in pairs.
    edge, row = spread(
        np.maximum(np.ceil(low - 0.5), 0).astype(np.int64),
        np.minimum(np.ceil(high - 0.5) - 1, n - 1).astype(np.int64),
    )
    lat = latitude_at((row + 0.5) / n)
    share = (lat - a[edge, 1]) / (b[edge, 1] - a[edge, 1])
    x = x_at(a[edge, 0] + np.clip(share, 0.0, 1.0) * (b[edge, 0] - a[edge, 0])) * n
    order = np.lexsort((x, row))
    row, x = row[order], x[order]
    first, last = _span(x[0::2], x[1::2])
    some = last >= first
    return row[0::2][some], first[some], last[some]

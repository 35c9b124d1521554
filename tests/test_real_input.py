"""The whole job on real input: a real track, a real elevation model as the layer, read back by GDAL.

The track comes from gpxpy's source distribution, the elevation model from matplotlib's sample data (see
fixtures/README.md). The model is laid over the track's ground, since what is compared is pixels: every pixel
that GDAL reads from the pack must be the model's value at that pixel's own position.
"""

from __future__ import annotations

import asyncio
import io
import shutil
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import rasterio
from PIL import Image
from pyproj import Transformer

from packer.fetching.run import run_fetch
from packer.geometry.grid import latitude_at, longitude_at
from packer.planning.brief import Brief
from packer.planning.plan import lines_of, plan
from packer.proof.proving import verify
from tests.conftest import BriefMaker
from tests.tile_server import TileServer, answer

FIXTURES = Path(__file__).parent.parent / "fixtures"
DEEPEST = 15


class Model:
    """The elevation model over a box of ground, nearest value, scaled to grey."""

    def __init__(self, west: float, south: float, east: float, north: float) -> None:
        with np.load(FIXTURES / "dem" / "jacksboro_fault_dem.npz") as found:
            metres = found["elevation"].astype(float)
        self.grey = np.round((metres - metres.min()) / np.ptp(metres) * 255).astype(np.uint8)
        self._west, self._north = west, north
        self._width, self._height = east - west, north - south

    def at(self, lon: npt.NDArray[np.float64], lat: npt.NDArray[np.float64]) -> npt.NDArray[np.uint8]:
        rows, columns = self.grey.shape
        row = np.clip((self._north - lat) / self._height * rows, 0, rows - 1).astype(int)
        column = np.clip((lon - self._west) / self._width * columns, 0, columns - 1).astype(int)
        return np.asarray(self.grey[row, column], dtype=np.uint8)

    def tile(self, zoom: int, x: int, y: int) -> bytes:
        centre = (np.arange(256) + 0.5) / 256
        lon = longitude_at((x + centre) / 2**zoom)
        lat = latitude_at((y + centre) / 2**zoom)
        out = io.BytesIO()
        Image.fromarray(self.at(*np.meshgrid(lon, lat))).save(out, "PNG")
        return out.getvalue()


@pytest.fixture
def track(tmp_path: Path) -> Path:
    found = next((FIXTURES / "tracks").glob("*orita*.gpx"))
    return Path(shutil.copy(found, tmp_path / "course.gpx"))


def test_a_real_track_over_a_real_elevation_model_reads_back_pixel_for_pixel(
    brief_for: BriefMaker, track: Path
) -> None:
    area = f'line = "{track.name}"\nhalf-width = "250 m"\ndeepest = {DEEPEST}'
    line = lines_of(plan(brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=area)))["ground"]
    lon, lat = np.concatenate(line.lines).T
    model = Model(lon.min() - 0.05, lat.min() - 0.05, lon.max() + 0.05, lat.max() + 0.05)

    def serve(path: str) -> bytes | None:
        if path.endswith(".png"):
            zoom, x, y = map(int, path.removesuffix(".png").split("/")[-3:])
            return answer("200 OK", model.tile(zoom, x, y))
        return None

    with TileServer(serve) as server:
        brief = brief_for(server.url, area=area)
        report = asyncio.run(run_fetch(brief, plan(brief)))
    assert report.complete
    assert verify(brief, plan(brief), processes=1).ready
    _compare(brief, model, lon, lat)


def _compare(brief: Brief, model: Model, lon: npt.NDArray[np.float64], lat: npt.NDArray[np.float64]) -> None:
    """At every tenth fix of the track, the pixel in GDAL's reading against the model at that pixel's centre."""
    back = Transformer.from_crs(3857, 4326, always_xy=True)
    with rasterio.open(brief.store_folder / "survey.mbtiles") as raster:
        assert raster.driver == "MBTiles"
        # EPSG:3857 at the deepest zoom: 2 pi 6378137 m / 256 / 2^zoom a pixel (OGC 17-083r4, Annex D).
        assert raster.res[0] == pytest.approx(156543.03392804097 / 2**DEEPEST, rel=1e-9)
        band = raster.read(1)
        x, y = Transformer.from_crs(4326, 3857, always_xy=True).transform(lon[::10], lat[::10])
        checked = 0
        for east, north in zip(x, y, strict=True):
            row, column = raster.index(east, north)
            centre = back.transform(*raster.xy(row, column))
            assert band[row, column] == model.at(np.array(centre[0]), np.array(centre[1]))
            checked += 1
    assert checked > 50

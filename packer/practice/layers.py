"""The practice survey's layers as bodies of tiles: which picture, in which format, of which edition.

    survey = Survey()
    tile = survey.tile("aerial", 12, 2190, 1439)

Everything is a pure function of layer, position and revision; bodies are kept in a bounded cache.
"""

from __future__ import annotations

import hashlib
import io
import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from PIL import Image, ImageDraw

from packer.practice import regions
from packer.practice.aerial import paint_aerial
from packer.practice.relief import paint_relief

__all__ = ["FIRST_EDITION", "LAYERS", "SHARP_PX", "LayerKind", "Survey", "SurveyTile"]

FIRST_EDITION = datetime(2024, 5, 14, 9, 30, tzinfo=UTC)
_BETWEEN_EDITIONS = timedelta(days=91)
_JPEG_QUALITY = 82
_ENLARGED_FROM = 24  # ancestors kept as pictures: 0.2 MB each


@dataclass(frozen=True, slots=True)
class LayerKind:
    """A layer's file extension, media type and the words that credit it."""

    extension: str
    media_type: str
    attribution: str


LAYERS = {
    "aerial": LayerKind("jpg", "image/jpeg", "Ketterling Practice Survey (invented)"),
    "relief": LayerKind("png", "image/png", "Ketterling Practice Relief (invented)"),
}
SHARP_PX = 512  # a side of the sharper tiles, each of which shows what 2x2 tiles of the next zoom show


@dataclass(frozen=True, slots=True)
class SurveyTile:
    """A tile as it is served. `etag` is strong and quoted: the start of the body's SHA-256."""

    body: bytes
    media_type: str
    etag: str
    modified: datetime


class Survey:
    """The layers at one revision. Safe to use from several threads."""

    def __init__(self, revision: int = 0, cache_bytes: int = 64_000_000) -> None:
        self.revision = revision
        self._room = cache_bytes
        self._kept: OrderedDict[tuple[str, int, int, int], SurveyTile] = OrderedDict()
        self._ancestors: OrderedDict[tuple[int, int, int], Image.Image] = OrderedDict()
        self._kept_bytes = 0
        self._lock = threading.Lock()
        self._no_data = _jpeg(_no_data_picture())

    def has(self, layer: str, zoom: int, x: int, y: int) -> bool:
        """Whether there is such a tile: a known layer, a position on the grid, and no gap there."""
        if layer not in LAYERS or not 0 <= zoom <= regions.LAST_ZOOM:
            return False
        if not (0 <= x < 1 << zoom and 0 <= y < 1 << zoom):
            return False
        return layer != "aerial" or not regions.is_missing(zoom, x, y)

    def kept(self, layer: str, zoom: int, x: int, y: int) -> SurveyTile | None:
        """The tile if its body is in the cache."""
        key = (layer, zoom, x, y)
        with self._lock:
            tile = self._kept.get(key)
            if tile is not None:
                self._kept.move_to_end(key)
            return tile

    def tile(self, layer: str, zoom: int, x: int, y: int) -> SurveyTile | None:
        """The tile, painted if need be; None where `has` is false."""
        if not self.has(layer, zoom, x, y):
            return None
        tile = self.kept(layer, zoom, x, y)
        if tile is None:
            body, edition = self._paint(layer, zoom, x, y)
            etag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
            modified = FIRST_EDITION + edition * _BETWEEN_EDITIONS
            tile = SurveyTile(body, LAYERS[layer].media_type, etag, modified)
            self._keep((layer, zoom, x, y), tile)
        return tile

    def sharp_tile(self, layer: str, zoom: int, x: int, y: int) -> SurveyTile | None:
        """A tile of 512 pixels, put together from 2x2 of the next zoom; None where one of them is not there."""
        places = [(zoom + 1, 2 * x + right, 2 * y + down) for down in (0, 1) for right in (0, 1)]
        quarters = [self.tile(layer, *place) for place in places]
        picture = Image.new("RGB", (SHARP_PX, SHARP_PX))
        modified = FIRST_EDITION
        for (_, left, top), quarter in zip(places, quarters, strict=True):
            if quarter is None:
                return None
            modified = max(modified, quarter.modified)
            picture.paste(
                Image.open(io.BytesIO(quarter.body)).convert("RGB"), (left % 2 * 256, top % 2 * 256)
            )
        body = _png(picture) if LAYERS[layer].extension == "png" else _jpeg(picture)
        etag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
        return SurveyTile(body, LAYERS[layer].media_type, etag, modified)

    def _keep(self, key: tuple[str, int, int, int], tile: SurveyTile) -> None:
        with self._lock:
            if key not in self._kept:
                self._kept[key] = tile
                self._kept_bytes += len(tile.body)
            while self._kept_bytes > self._room and len(self._kept) > 1:
                self._kept_bytes -= len(self._kept.popitem(last=False)[1].body)

    def _paint(self, layer: str, zoom: int, x: int, y: int) -> tuple[bytes, int]:
        if layer == "relief":
            edition = regions.edition(layer, zoom, x, y, self.revision)
            return _png(Image.fromarray(paint_relief(zoom, x, y, edition))), edition
        if regions.is_no_data(zoom, x, y):
            return self._no_data, 0
        up = max(0, zoom - regions.imagery_zoom(x, y, zoom))
        edition = regions.edition(layer, zoom - up, x >> up, y >> up, self.revision)
        if not up:
            return _jpeg(Image.fromarray(paint_aerial(zoom, x, y, edition))), edition
        ancestor = self._ancestor(zoom - up, x >> up, y >> up, edition)
        return _jpeg(_enlarged(ancestor, up, x, y)), edition

    def _ancestor(self, zoom: int, x: int, y: int, edition: int) -> Image.Image:
        key = (zoom, x, y)
        with self._lock:
            picture = self._ancestors.get(key)
        if picture is None:
            picture = Image.fromarray(paint_aerial(zoom, x, y, edition))
            with self._lock:
                self._ancestors[key] = picture
                while len(self._ancestors) > _ENLARGED_FROM:
                    self._ancestors.popitem(last=False)
        return picture


def _enlarged(ancestor: Image.Image, up: int, x: int, y: int) -> Image.Image:
    """The part of a tile `up` zooms above that lies under x, y, enlarged to a whole tile (bicubic)."""
    side = 256 / (1 << up)
    left, top = (x % (1 << up)) * side, (y % (1 << up)) * side
    box = (left, top, left + side, top + side)
    return ancestor.resize((256, 256), Image.Resampling.BICUBIC, box=box)


def _no_data_picture() -> Image.Image:
    picture = Image.new("RGB", (256, 256), (214, 214, 214))
    draw = ImageDraw.Draw(picture)
    for offset in range(-256, 256, 32):
        draw.line((offset, 256, offset + 256, 0), fill=(206, 206, 206), width=2)
    draw.text((128, 128), "No data", fill=(120, 120, 120), anchor="mm", font_size=18)
    return picture


def _jpeg(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=_JPEG_QUALITY, subsampling=2)
    return out.getvalue()


def _png(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "PNG", compress_level=4)
    return out.getvalue()

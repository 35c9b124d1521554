"""One picture at many places: what a server sends where it has nothing.

No two pieces of ground give the same bytes. A body seen at several coordinates is therefore either ground
without a feature (open water, a single colour) or a picture that stands in for one that is missing: a notice,
a pattern, a sign-in page's logo. Which of them cannot always be told, so the count is reported, never acted on.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from packer.errors import AnswerError
from packer.geometry.tileset import Tile
from packer.survey.imagery.appearance import Appearance, look_at
from packer.survey.imagery.pixels import Bytes3, colours

__all__ = ["Repeat", "repeated", "text_like"]

_INK = 40  # levels from the background in any channel: more than JPEG's ringing round a letter, mostly


@dataclass(frozen=True, slots=True)
class Repeat:
    """One body at several coordinates.

    `sha256` is the body's hash in hexadecimal, `tiles` where it was seen, in order, `look` its appearance
    (None if it is not a picture), and `notice` whether it is laid out like lines of text on a plain ground.
    """

    sha256: str
    tiles: tuple[Tile, ...]
    look: Appearance | None
    notice: bool

    @property
    def count(self) -> int:
        """At how many coordinates."""
        return len(self.tiles)

    @property
    def sentence(self) -> str:
        """What a planner should be told."""
        what = f"One image ({self.sha256[:12]}) came for {self.count} tiles"
        if self.look is None:
            return f"{what}; it cannot be decoded."
        if self.notice:
            return f"{what}; it looks like a notice instead of a map."
        if self.look.blank:
            return f"{what}; it is {self.look.sight}: open water, or no data."
        return f"{what}; no two places look alike, so it seems to replace missing tiles."


def repeated(bodies: Mapping[Tile, bytes], least: int = 3) -> tuple[Repeat, ...]:
    """Bodies that occur at `least` or more of the given coordinates, the most frequent first."""
    places: dict[str, list[Tile]] = {}
    bodies_by_hash: dict[str, bytes] = {}
    for tile, body in bodies.items():
        digest = hashlib.sha256(body).hexdigest()
        places.setdefault(digest, []).append(tile)
        bodies_by_hash[digest] = body
    found = [
        _repeat(digest, tiles, bodies_by_hash[digest])
        for digest, tiles in places.items()
        if len(tiles) >= least
    ]
    return tuple(sorted(found, key=lambda repeat: (-repeat.count, repeat.sha256)))


def _repeat(digest: str, tiles: list[Tile], body: bytes) -> Repeat:
    try:
        pixels = colours(body)
    except AnswerError:  # a repeated body that is not a picture is itself the news
        return Repeat(digest, tuple(sorted(tiles)), None, False)
    return Repeat(digest, tuple(sorted(tiles)), look_at(pixels), text_like(pixels))


def text_like(pixels: Bytes3) -> bool:
    """Whether pixels, uint8 (rows, columns, 4), look like a few lines of text on a plain ground.

    Three habits of print are asked for: a plain ground, thin strokes (short runs of ink along the rows), and
    lines, that is bands of rows with ink between bands without. Our own rule, no source.
    """
    ink = _ink(pixels)
    share = float(ink.mean())
    if not 0.002 < share < 0.25:
        return False
    edges = np.diff(np.pad(ink, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    runs = np.nonzero(edges.ravel() == -1)[0] - np.nonzero(edges.ravel() == 1)[0]
    bands = np.diff(np.nonzero(np.diff(np.pad(ink.any(axis=1), 1).astype(np.int8)))[0])[::2]
    lines = bands[bands >= 4]
    return bool(
        len(runs) >= 30 and np.median(runs) <= 6 and 1 <= len(lines) <= 10 and lines.max() <= ink.shape[0] / 4
    )


def _ink(pixels: Bytes3) -> npt.NDArray[np.bool_]:
    """Where the picture differs from its commonest colour."""
    levels = pixels.astype(np.int32)
    coarse = (levels >> 3) @ np.array([1 << 15, 1 << 10, 1 << 5, 1])
    commonest = np.bincount(coarse.ravel()).argmax()
    ground = np.median(levels[coarse == commonest], axis=0)
    return np.asarray((np.abs(levels - ground) > _INK).any(axis=2))

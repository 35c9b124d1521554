"""Does a pack show the wrong ground, or none? What its tiles themselves tell, without the network."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from packer.geometry.tileset import TileSet
from packer.store.one_picture import one_picture_on_board, one_picture_sentence
from packer.store.reader import TileReader
from packer.store.seams_on_board import misfit_on_board, misfit_sentence

__all__ = ["wrong_ground"]


def wrong_ground(layer: str, pack: Path, planned: TileSet) -> Iterator[str]:
    """A sentence for each sign that the pack of a layer is no map of the ground that was planned.

    Either is enough for a map that nobody should leave with: neighbours that fit together only if tiles lie otherwise
    than they are stored, or one picture in place of every tile.
    """
    reader = TileReader(pack)
    if (misfit := misfit_on_board(reader)) is not None:
        yield misfit_sentence(layer, misfit)
    one = one_picture_on_board(reader, planned)
    if one is not None and one.everywhere:
        yield one_picture_sentence(layer, one)

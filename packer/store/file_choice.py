"""Which file of a pack each record of a run goes to."""

from __future__ import annotations

from collections.abc import Sequence

from packer.geometry.tileset import Tile, TileSet
from packer.store.file_writer import FileWriter
from packer.store.placing import FilePlaces
from packer.store.records import Received, Record

__all__ = ["FileChoice"]


class FileChoice:
    """The choice among the open files of a pack, to which more may be added; `places` says where new tiles go.

    A record goes to the file that says anything of its tile already, so that a tile and its notes are in one file.
    """

    def __init__(self, files: Sequence[FileWriter], places: FilePlaces) -> None:
        self.places = places
        self._files = files
        self._noted = TileSet.union(tiles for file in files for tiles in (file.held, file.absent))
        self._elsewhere: list[tuple[FileWriter, Tile]] = []

    async def number_for(self, record: Record) -> int:
        """The file of a record, counted from 0; one beyond the last is to be made. If cancelled: nothing was written.

        Raises StoreError where there would be too many.
        """
        tile = record.tile
        known: list[int] = []
        if tile in self._noted or any(file.is_troubled(tile) for file in self._files):
            known = [number for number, file in enumerate(self._files) if file.notes(tile)]
        for number in (*known, *self.places.before(tile)):
            file = self._files[number]
            if tile in file.held:
                return number
            said = await file.tables_with(tile)
            body_without_room = isinstance(record, Received) and self.places.is_full(number)
            if "placement" in said or (said and not body_without_room):
                return number
            if said:
                self._elsewhere.append((file, tile))
        return self.places.file_for(tile)

    async def take_back(self) -> None:
        """Take back what full files say of the lack of tiles that another file has now. Not to be cancelled.

        If the process dies: they still say it. A tile that is stored counts as stored, whatever else is said of it.
        """
        moved, self._elsewhere = self._elsewhere, []
        for file in {id(file): file for file, _ in moved}.values():
            tiles = TileSet.from_tiles(tile for one, tile in moved if one is file)
            for table in ("absent", "trouble"):
                await file.forget(tiles, table)

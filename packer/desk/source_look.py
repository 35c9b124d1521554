"""Single tiles straight from a layer's server, for whoever looks at the map: one layer at a time, kept in memory only,
until a fetch begins, which stores those that it needs.

All methods that are coroutines belong to the loop of the desk's server; `forbid` and `permit` may be called anywhere.
While a fetch or survey asks the servers, here or in another process, nothing is asked here: a server's caps hold for
all of this machine together.
"""

from __future__ import annotations

import asyncio
import itertools
import time
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from functools import partial
from pathlib import Path

from packer.content.payload import Kind
from packer.content.rasters.deriving import derived_body, source_pixels
from packer.content.rasters.library import gdal
from packer.desk.transport import DESK_TRANSPORT
from packer.errors import InputError, NetworkError, TermsError
from packer.fetching.answers.outcome import Outcome, ServerHasNone, Stored
from packer.fetching.deriving import check_library
from packer.fetching.hosts.source import stated_kind
from packer.fetching.hosts.tile_asker import TileAsker, open_asker
from packer.fetching.looked_at import LookedAt
from packer.geometry.source_grid import SourceGrid
from packer.geometry.source_tiles import Window, windows_of
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.offers import source_mark
from packer.planning.pack_path import pack_path
from packer.planning.source_layers import grid_of, source_name, with_source_layer
from packer.store.locks import is_locked

__all__ = ["SourceLook"]

_MOST_BYTES = 48_000_000
_MOST_WAITING = 48  # requests; a map shows some thirty tiles, and nobody waits for those scrolled away
_LOCKS_EVERY_S = 2.0
_CLOSE_S = 10.0
_MOST_MADE_OF = 20  # source tiles of one that is looked at


_ASKER = partial(open_asker, transport=DESK_TRANSPORT)


class SourceLook:
    """Tiles from the source, in a bounded cache that is thrown away with the desk."""

    def __init__(self, open_: Callable[..., AbstractAsyncContextManager[TileAsker]] = _ASKER) -> None:
        self._open = open_
        self._kept: OrderedDict[tuple[str, Tile], LookedAt | None] = OrderedDict()
        self._bytes = self._waiting = self._asked = self._under_way = 0
        self._key: str | None = None
        self._asker: TileAsker | None = None
        self._stack = AsyncExitStack()
        self._lock, self._turn = asyncio.Lock(), asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._forbidden = False
        self._tried: TileAsker | None = None
        self._free_at = 0.0

    async def tile(
        self, brief: Brief, layer: str, tile: Tile, store: Path | None, planned: int, *, patient: bool = False
    ) -> bytes | None:
        """The body that the server gives; None if it says that it has none.

        `planned` tiles of the layer's tile-limit are spoken for. What is being asked for another layer is dropped, or
        is let come first if `patient`, as two that are looked at side by side do. Raises TermsError and BriefError as
        a fetch does, NetworkError where nothing usable comes or nothing may be asked now. If cancelled: the exchange
        is dropped.
        """
        self._loop = asyncio.get_running_loop()
        key = _key(brief, layer)
        if (grid := grid_of(brief.layers[layer])) is not None:
            return await self._derived(brief, layer, grid, tile, store, planned, patient=patient)
        if (key, tile) in self._kept:
            self._kept.move_to_end((key, tile))
            kept = self._kept[key, tile]
            return kept.outcome.data if kept is not None else None
        self._check_free(brief, store)
        limit = brief.layers[layer].tile_limit
        if limit is not None and planned + self._asked >= limit:
            raise TermsError(
                f'Layer "{layer}" has a tile-limit of {limit:,}, which the plan and this look use up.'
            )
        if self._waiting >= _MOST_WAITING:
            raise NetworkError("Too many tiles are being asked for. Wait a moment.")
        self._waiting += 1
        try:
            asker = await self._asker_for(brief, layer, key, patient)
            self._asked += 1
            outcome = await self._answer(asker, tile)
        except asyncio.CancelledError:
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise
            raise NetworkError(
                "The map has turned to another layer."
            ) from None  # and its exchanges were dropped
        finally:
            self._waiting -= 1
        return self._taken(brief, layer, (key, tile), outcome)

    def _taken(self, brief: Brief, layer: str, place: tuple[str, Tile], outcome: Outcome) -> bytes | None:
        """The body of what came, kept from now on. Raises NetworkError where nothing usable came."""
        if isinstance(outcome, Stored):
            mark = source_mark(brief.layers[layer])
            self._keep(place, LookedAt(mark, place[1], outcome, int(time.time())))
            return outcome.data
        if isinstance(outcome, ServerHasNone):
            self._keep(place, None)
            return None
        raise NetworkError(f'Layer "{layer}": {getattr(outcome, "reason", "no tile came")}.')

    async def _derived(
        self,
        brief: Brief,
        layer: str,
        grid: SourceGrid,
        tile: Tile,
        store: Path | None,
        planned: int,
        *,
        patient: bool,
    ) -> bytes | None:
        """A tile made of those of the source's grid, each as of `tile`. If cancelled: as `tile`."""
        tile_px = brief.layers[layer].tile_size or 256
        check_library([layer])
        [(_, window)] = windows_of(grid, TileSet.from_tiles([tile]), tile_px)
        if window is None:
            return None
        rows, columns = range(window.upper, window.lower + 1), range(window.first, window.last + 1)
        if len(rows) * len(columns) > _MOST_MADE_OF:
            raise NetworkError("This zoom is made of too many tiles of its source to look at one alone.")
        wide, zoom, bodies = with_source_layer(brief, layer), grid.matrices[window.matrix].zoom, {}
        for row, column in itertools.product(rows, columns):
            place = Tile(zoom, column, row)
            body = await self.tile(wide, source_name(layer), place, store, planned, patient=patient)
            if body is not None:
                bodies[column, row] = body
        if not bodies:
            return None
        kind = stated_kind(brief.layers[layer]) or Kind.PNG
        return await asyncio.to_thread(_made, grid, window, tile, tile_px, kind, bodies)

    async def _answer(self, asker: TileAsker, tile: Tile) -> Outcome:
        """If cancelled: the exchange is dropped, and the other layer has its turn."""
        self._under_way += 1
        self._turn.clear()
        try:
            return await asker.tile(tile)
        finally:
            self._under_way -= 1
            if not self._under_way:
                self._turn.set()

    @asynccontextmanager
    async def alone(self, brief: Brief, layer: str, store: Path | None) -> AsyncIterator[TileAsker]:
        """An asker for a layer that is tried, with nothing else asked of any server meanwhile.

        Raises as `tile`. If cancelled: it is closed.
        """
        self._loop = asyncio.get_running_loop()
        self._check_free(brief, store)
        async with self._lock:
            await self._close()
            async with self._open(brief, layer) as asker:
                self._tried = asker
                try:
                    yield asker
                finally:
                    self._tried = None

    async def _asker_for(self, brief: Brief, layer: str, key: str, patient: bool) -> TileAsker:
        """If cancelled: the next one opens it."""
        while True:
            async with self._lock:
                if self._forbidden:
                    raise NetworkError(_BUSY)
                if self._key == key and self._asker is not None:
                    return self._asker
                if not (patient and self._under_way):
                    await self._close()
                    asker = await self._stack.enter_async_context(self._open(brief, layer))
                    self._asker, self._key = asker, key
                    return asker
            await self._turn.wait()  # outside the lock, which a fetch that begins has to get

    async def _close(self) -> None:
        """Close the open asker; requests under way are dropped. If cancelled: it may be half closed."""
        self._asker = self._key = None
        stack, self._stack = self._stack, AsyncExitStack()
        await stack.aclose()

    async def aclose(self) -> None:
        """Close everything. If cancelled: sockets may be left to the system."""
        async with self._lock:
            await self._close()

    def forbid(self) -> None:
        """Ask for nothing more, and drop what is under way: a fetch begins. Not to be called in the server's loop."""
        self._forbidden = True
        if self._loop is not None and self._loop.is_running():
            if (tried := self._tried) is not None:
                self._loop.call_soon_threadsafe(tried.gate.close)
            asyncio.run_coroutine_threadsafe(self.aclose(), self._loop).result(_CLOSE_S)

    def permit(self) -> None:
        """The fetch has ended."""
        self._forbidden = False

    def _check_free(self, brief: Brief, store: Path | None) -> None:
        """Raise NetworkError while somebody else asks this brief's servers."""
        if self._forbidden:
            raise NetworkError(_BUSY)
        now = asyncio.get_running_loop().time()
        if now < self._free_at:
            return
        for name in brief.layers:
            if is_locked(pack_path(brief, name, store)):
                raise NetworkError(_BUSY)
        self._free_at = now + _LOCKS_EVERY_S

    def looked_at(self) -> list[LookedAt]:
        """The tiles that came whole and are still kept. May be called anywhere."""
        return [kept for kept in list(self._kept.values()) if kept is not None]

    def _keep(self, key: tuple[str, Tile], seen: LookedAt | None) -> None:
        self._kept[key] = seen
        self._bytes += _weight(seen)
        while self._bytes > _MOST_BYTES:
            self._bytes -= _weight(self._kept.popitem(last=False)[1])


def _made(
    grid: SourceGrid,
    window: Window,
    tile: Tile,
    tile_px: int,
    kind: Kind,
    bodies: Mapping[tuple[int, int], bytes],
) -> bytes:
    drawn = {place: source_pixels(body, grid) for place, body in bodies.items()}
    with gdal():
        some = {place: pixels for place, pixels in drawn.items() if pixels is not None}
        return derived_body(grid, window, tile, tile_px, kind, some)


def _weight(seen: LookedAt | None) -> int:
    return 400 + (len(seen.outcome.data) if seen is not None else 0)


_BUSY = "A fetch or survey is asking the servers just now. What is on board is shown."


def _key(brief: Brief, layer: str) -> str:
    """What decides which server answers, and on which terms; never shown."""
    found = brief.layers.get(layer)
    if found is None:
        raise InputError(f'The brief has no layer "{layer}".')
    fields = {name: getattr(found, name) for name in type(found).model_fields}
    return repr((layer, sorted(fields.items(), key=lambda one: one[0]), found.asked, brief.contact))

"""Tiles that somebody has looked at before they were fetched: stored by the next fetch, not asked for once more."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from packer.content.damage import Damaged, NotATile
from packer.content.digest import body_hash
from packer.content.payload import Kind, examine
from packer.fetching.answers.outcome import Stored
from packer.fetching.hosts.source import Source, labels_for
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief, Layer
from packer.planning.file_limits import file_limit
from packer.planning.offers import source_mark
from packer.planning.pack_dates import check_pack_dates
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.store.records import Received
from packer.store.source_reader import check_grid
from packer.store.writer import PackWriter

__all__ = ["LookedAt", "store_looked_at"]

_BATCH = 256


@dataclass(frozen=True, slots=True)
class LookedAt:
    """A tile that came whole for a look, by the source that `mark` names (`offers.source_mark`), at `came` seconds
    since 1970."""

    mark: str
    tile: Tile
    outcome: Stored
    came: int


async def store_looked_at(
    brief: Brief, plan: Plan, store: Path | None, sources: Mapping[str, Source], seen: Iterable[LookedAt]
) -> int:
    """Store what is planned, not on board and of the layer's present source; gives how many tiles that were.

    The rules are those of a fetch: one date, format and side a pack, no picture that stands for "no tile". Raises
    InputError for a pack of another date, StoreError and DiskError. If cancelled: the batch being written is
    committed whole. If the process dies: as for a fetch.
    """
    check_pack_dates(brief, sources, store)
    looked, stored = list(seen), 0
    for name, source in sources.items():
        layer, planned = brief.layers[name], plan.layers[name].tiles
        mine = [one for one in looked if one.mark == source_mark(layer) and one.tile in planned]
        if not mine:
            continue
        if layer.offer is not None and layer.offer.grid is not None:
            check_grid(pack_path(brief, name, store), layer.offer.grid, name)
        path, limit = pack_path(brief, name, store), file_limit(brief, name, planned)
        async with PackWriter(path, labels_for(brief, plan, source), limit=limit) as pack:
            kind = Kind(pack.kind) if pack.kind else source.rules.kind
            fit = _fit((one for one in mine if one.tile not in pack.held), layer, kind)
            while batch := list(itertools.islice(fit, _BATCH)):
                await pack.write(batch)
                stored += len(batch)
    return stored


def _fit(looked: Iterable[LookedAt], layer: Layer, kind: Kind | None) -> Iterator[Received]:
    """What of them a fetch of the layer would store as well."""
    for one in looked:
        outcome = one.outcome
        digest = body_hash(outcome.data)
        if (
            kind not in (None, outcome.kind)
            or digest in layer.blank_hashes
            or not _has_side(one, layer.tile_size)
        ):
            continue
        kind = outcome.kind
        validators = (outcome.etag, outcome.modified, outcome.fresh_until)
        yield Received(one.tile, outcome.data, digest, outcome.kind.value, one.came, *validators)


def _has_side(one: LookedAt, side_px: int | None) -> bool:
    try:
        found = examine(one.outcome.data).size_px
    except (Damaged, NotATile):
        return False
    return side_px is None or found in (None, (side_px, side_px))

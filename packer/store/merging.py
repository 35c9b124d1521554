"""Joining packs, and taking in what the planner already holds.

Tiles go over one at a time: each is held against its own pack's hash and seal and checked to its last byte,
the newer of two wins, and what is there already is not written again. So it can be killed and run again.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from packer.content.codings import pack_vector
from packer.content.damage import Damaged, NotATile
from packer.content.digest import body_hash
from packer.content.payload import Kind, examine, fault_of, is_truncated
from packer.content.pictures import ENDS_EARLY
from packer.errors import InputError, TermsError
from packer.geometry.tileset import Tile
from packer.store.corrupt_list import read_corrupt
from packer.store.labels import date_on_board, grid_digest, labels_of
from packer.store.offer_tables import (
    OfferedTile,
    folder_offers,
    geopackage_offers,
    is_database,
    is_geopackage,
    is_our_pack,
    mbtiles_offers,
    pack_offers,
    pack_sources,
    refuse_unfit_source,
)
from packer.store.pack_files import has_pack, numbered_files, pack_files
from packer.store.picture_marks import DERIVED
from packer.store.records import Received
from packer.store.writer import DAY_S, FileLimit, Labels, PackWriter

__all__ = ["Merged", "merge_pack", "take_in"]

_BATCH, _BATCH_BYTES = 1024, 4_000_000  # each is a commit, which waits for the disk


@dataclass(frozen=True, slots=True)
class Merged:
    """What came over: tiles taken, tiles that were there already or were older, and those refused, with why.

    `dropped` are tiles that a verify had named in the pack that is written, and that were found corrupt again:
    they are gone from it, unless an intact one was among those taken. `lost` are files of the source that are gone.
    """

    taken: int
    kept: int
    refused: tuple[tuple[Tile, str], ...]
    dropped: tuple[Tile, ...] = ()
    lost: tuple[Path, ...] = ()


def merge_pack(
    into: Path, source: Path, *, mix_sources: bool = False, limit: FileLimit | None = None
) -> Merged:
    """Join the pack `source` into the pack `into`, which is made if there is none; `limit` is that of its files.

    A layer of another grid, or made from one, stays one file. Raises TermsError if their tiles come from different
    servers, unless `mix_sources`; StoreError if either is not a pack of ours. If the process dies: every batch
    committed so far stays, and merging again goes on.
    """
    _refuse_itself(into, source)
    refuse_unfit_source(source)
    labels = labels_of(source)
    if labels.matrix_set is not None or any(mark.startswith(DERIVED) for mark, _ in labels.pictures):
        limit = None  # they are read together, from one file each
    _refuse_other_date(into, labels, source)
    if has_pack(into):
        _refuse_other_grid(into, labels_of(into), source)
    if has_pack(into) and not mix_sources:
        foreign = pack_sources(source) - pack_sources(into)
        if foreign and pack_sources(into):
            raise TermsError(
                f"{source} and {into} have tiles from different servers. One layer should show one source. To "
                "join them all the same, add --mix-sources."
            )
    if has_pack(into) and pack_sources(into):  # none yet, if a first merge died at its very start
        labels = replace(
            labels_of(into), host=labels.host, fingerprint=labels.fingerprint, pictures=labels.pictures
        )
    rules = _Rules(frozenset(read_corrupt(source)), limit=limit)
    merged = asyncio.run(_take(into, labels, pack_offers(source), rules))
    return replace(merged, lost=pack_files(source).lost)


def take_in(
    into: Path, labels: Labels, held: Path, side_px: int | None = None, limit: FileLimit | None = None
) -> Merged:
    """Take any MBTiles file, GeoPackage or z/x/y folder into the pack `into`, as tiles of the layer of `labels`.

    `side_px` is the side that its pictures have to have, None for any; `limit` is that of the pack's files.
    Raises InputError or StoreError if `held` is neither. If the process dies: as for `merge_pack`.
    """
    _refuse_itself(into, held)
    _refuse_other_date(into, labels, held)
    rules = _Rules(side_px=side_px, limit=limit)
    if held.is_dir():
        offers: Iterator[OfferedTile] = folder_offers(held)
    elif not held.exists():
        raise InputError(f"{held} does not exist. {_WHAT_TO_NAME}")
    elif not is_database(held):
        raise InputError(f"{held} is none of the files that can be taken in. {_WHAT_TO_NAME}")
    elif is_our_pack(held):
        _refuse_other_grid(into, labels, held)
        offers, rules = pack_offers(held), replace(rules, named=frozenset(read_corrupt(held)))
    elif is_geopackage(held):
        offers = geopackage_offers(held, labels.layer)
    else:
        offers = mbtiles_offers(held)
    merged = asyncio.run(_take(into, labels, offers, rules))
    if not (merged.taken or merged.kept or merged.refused):
        raise InputError(f"{held} has no tile in it. {_WHAT_TO_NAME}")
    return merged


_WHAT_TO_NAME = (
    "Name a GeoTIFF picture, an MBTiles file, a GeoPackage with tiles, a pack, or a folder of tiles laid out as "
    "z/x/y.png."
)


def _refuse_other_date(into: Path, labels: Labels, source: Path) -> None:
    if (held := date_on_board(into)) is not None and held != (labels.date or ""):
        raise InputError(
            f"{source} would bring tiles of {labels.date or 'no stated date'} into {into}, which shows "
            f"{held or 'no stated date'}. Tiles of two dates do not go into one pack."
        )


def _refuse_other_grid(into: Path, labels: Labels, source: Path) -> None:
    if grid_digest(labels.matrix_set) != grid_digest(labels_of(source).matrix_set):
        raise InputError(
            f"The tiles of {source} lie in another grid than those of {into}, so that its rows and columns stand for "
            "other ground. They do not go into one pack."
        )


def _refuse_itself(into: Path, source: Path) -> None:
    with contextlib.suppress(OSError):  # what is not there is another matter
        if any(file.samefile(source) for file in (into, *numbered_files(into).values())):
            raise InputError(f"{source} cannot be merged into itself.")


@dataclass(frozen=True, slots=True)
class _Rules:
    """What a tile on offer has to be: intact to its last pixel where a verify has `named` it, and of `side_px`; and
    the `limit` of the files that it goes to."""

    named: frozenset[Tile] = frozenset()
    side_px: int | None = None
    limit: FileLimit | None = None


async def _take(into: Path, labels: Labels, offers: Iterable[OfferedTile], rules: _Rules) -> Merged:
    """If cancelled: the batch being written is committed whole; later ones are not taken."""
    taken = kept = 0
    latest = time.time() + DAY_S  # a date beyond is from a clock that was wrong, and no tile is newer for it
    refused: list[tuple[Tile, str]] = []
    async with PackWriter(into, labels, limit=rules.limit) as pack:
        kind = Kind(pack.kind) if pack.kind else None
        for some in _batches(offers):
            known = await pack.fetched_at([offer.tile for offer in some])
            batch: list[Received] = []
            for offer in some:
                if (
                    offer.tile in known
                    and (offer.fetched if offer.fetched <= latest else 0) <= known[offer.tile]
                ):
                    kept += 1
                    continue
                record = _checked(offer, kind, rules)
                if isinstance(record, str):
                    refused.append((offer.tile, record))
                    continue
                kind = kind or Kind(record.kind)
                known[offer.tile] = offer.fetched  # a source may list a tile twice
                batch.append(record)
            await pack.write(batch)
            taken += len(batch)
    return Merged(taken, kept, tuple(refused), tuple(pack.dropped))


def _batches(offers: Iterable[OfferedTile]) -> Iterator[list[OfferedTile]]:
    some: list[OfferedTile] = []
    size_bytes = 0
    for offer in offers:
        some.append(offer)
        size_bytes += len(offer.data)
        if len(some) >= _BATCH or size_bytes >= _BATCH_BYTES:
            yield some
            some, size_bytes = [], 0
    if some:
        yield some


def _checked(offer: OfferedTile, kind: Kind | None, rules: _Rules) -> Received | str:
    """The record to write, or why the tile is refused, for all reasons for which a fetch refuses one."""
    if offer.fault is not None:
        return offer.fault
    try:
        found, size_px = examine(offer.data)
        data = pack_vector(offer.data) if found is Kind.PBF else offer.data
    except NotATile as fault:
        return f"it is not a tile: {fault}"
    except Damaged as fault:
        return f"it is damaged: {fault}"
    if kind is not None and found is not kind:
        return f"it is {found.value}, in a pack of {kind.value}"
    if size_px is not None and rules.side_px is not None and size_px != (rules.side_px, rules.side_px):
        return f"it has {size_px[0]} x {size_px[1]} px, where the brief says {rules.side_px}"
    if found is Kind.JPG and is_truncated(offer.data):
        return f"it is damaged: {ENDS_EARLY}"
    if offer.tile in rules.named and (corrupt := fault_of(data, found.value)):
        return corrupt
    return Received(
        offer.tile,
        data,
        body_hash(data),
        found.value,
        offer.fetched,
        offer.etag,
        offer.modified,
        offer.fresh_until,
    )

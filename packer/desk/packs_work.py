"""Jobs of the desk that change what is in the packs without asking a server: what no plan needs is taken out, and what
somebody else has fetched is taken in."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from packer.common.regular_file import refuse_special
from packer.desk.body import typed_path
from packer.desk.jobs import Reporter, Work
from packer.errors import InputError, StoreError
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.file_limits import file_limit
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.planning.source_layers import with_source_layers
from packer.store.merging import merge_pack
from packer.store.pack_files import has_pack
from packer.store.pruning import prune_pack, spare_in

__all__ = ["merge_work", "prune_work"]

_MOST_TOLD = 20


def prune_work(
    brief: Brief, worked_out: Plan, store: Path | None, options: Mapping[str, Any], mark: str
) -> Work:
    """Look for stored tiles that the brief does not need or, with option `remove`, take them out.

    `remove` is the mark of the brief and plan for which they were looked at, as the job that looked tells it. Raises
    InputError if that is another one by now: then somebody has to look again. If the process dies: as for
    `prune_pack`, pack by pack.
    """
    remove = options.get("remove")
    if remove not in (None, mark):
        raise InputError("The plan has changed since you looked. Look again first.")

    def work(reporter: Reporter) -> Mapping[str, Any]:
        told: dict[str, Any] = {}
        layers = with_source_layers(brief, worked_out)[1].layers
        for done, (name, layer) in enumerate(layers.items()):
            reporter.progress({"doing": name, "done": done, "all": len(layers)})
            pack = pack_path(brief, name, store)
            if reporter.stop.is_set() or not has_pack(pack):
                continue
            refuse_special(pack, StoreError)
            spare = spare_in(pack, layer.tiles)
            if not spare.tiles:
                continue
            freed = prune_pack(pack, name, layer.tiles) if remove else None
            told[name] = {"tiles": len(spare.tiles), "bytes": spare.bytes, "freed": freed}
        return {
            "removed": bool(remove),
            "mark": mark,
            "tiles": sum(one["tiles"] for one in told.values()),
            "bytes": sum(one["bytes"] for one in told.values()),
            "layers": told,
        }

    return work


def merge_work(brief: Brief, store: Path | None, options: Mapping[str, Any]) -> Work:
    """Take in the packs of this brief's layers that lie in the folder `from`, such as a colleague's part.

    Each tile is checked, and what is on board stays. Raises InputError for a folder that is none or has no such pack.
    If the process dies: as for `merge_pack`, pack by pack.
    """
    folder = typed_path(options, "from", "Say which folder has the other packs.")
    refuse_special(folder)
    into = {pack_path(brief, name, store): name for name in brief.layers}
    if not folder.is_dir() or folder in {pack.parent.absolute() for pack in into}:
        raise InputError(f"{folder} is no folder of other packs.")
    found = {folder / pack.name: pack for pack in into if (folder / pack.name).is_file()}
    if not found:
        names = ", ".join(sorted(pack.name for pack in into))
        raise InputError(f"{folder} has no pack of this brief's layers. They are called: {names}.")

    def work(reporter: Reporter) -> Mapping[str, Any]:
        taken = kept = 0
        refused: list[str] = []
        for done, (pack, target) in enumerate(found.items()):
            reporter.progress({"doing": into[target], "done": done, "all": len(found)})
            if reporter.stop.is_set():
                break
            refuse_special(pack)
            limit = file_limit(brief, into[target], TileSet())
            merged = merge_pack(target, pack, limit=limit)
            taken, kept = taken + merged.taken, kept + merged.kept
            refused += [f"{path}: it is gone, one of the files of that pack" for path in merged.lost]
            refused += [f"{into[target]} {tile}: {why}" for tile, why in merged.refused]
        more = len(refused) - _MOST_TOLD
        told = [*refused[:_MOST_TOLD], *([f"and {more:,} more"] if more > 0 else [])]
        return {
            "taken": taken,
            "kept": kept,
            "refused": told,
            "packs": sorted(into[one] for one in found.values()),
        }

    return work

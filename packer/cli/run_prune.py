"""`lastbar prune`: tiles that no named brief needs, listed or removed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from packer.cli.briefs import brief_at
from packer.cli.output import echo, print_json, table
from packer.common.regular_file import refuse_special
from packer.common.units import bytes_text
from packer.errors import StoreError
from packer.geometry.tileset import TileSet
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.planning.source_layers import with_source_layers
from packer.store.pack_files import has_pack
from packer.store.pruning import Spare, prune_pack, spare_in

__all__ = ["run"]


def run(briefs: list[Path], store: Path | None, yes: bool, as_json: bool) -> int:
    """List, or with `yes` remove, the stored tiles that none of the briefs needs.

    If the process dies: as for `prune_pack`, pack by pack.
    """
    needed: dict[Path, tuple[str, TileSet]] = {}
    for path in briefs:
        brief = brief_at(path, store)
        for name, layer in with_source_layers(brief, plan(brief))[1].layers.items():
            pack = pack_path(brief, name, store).resolve()
            before = needed.get(pack, (name, TileSet()))[1]
            needed[pack] = (name, before | layer.tiles)
    for pack in needed:
        refuse_special(pack, StoreError)
    found = {pack: spare_in(pack, tiles) for pack, (_, tiles) in needed.items() if has_pack(pack)}
    freed = {}
    if yes:
        freed = {pack: prune_pack(pack, *needed[pack]) for pack, spare in found.items() if spare.tiles}
    if as_json:
        print_json({"removed": yes, "packs": {str(p): _json(s, freed.get(p)) for p, s in found.items()}})
    else:
        _show(found, freed, yes)
    return 0


def _json(spare: Spare, freed: int | None) -> dict[str, Any]:
    by_zoom = {str(zoom): n for zoom, n in spare.tiles.by_zoom().items()}
    return {"tiles": len(spare.tiles), "bytes": spare.bytes, "by_zoom": by_zoom, "freed_bytes": freed}


def _show(found: dict[Path, Spare], freed: dict[Path, int], yes: bool) -> None:
    if not any(spare.tiles for spare in found.values()):
        echo("Every stored tile is needed by one of these briefs. Nothing to remove.")
        return
    rows = []
    for pack, spare in found.items():
        zooms = spare.tiles.zooms
        span = "-" if not zooms else f"{zooms[0]}-{zooms[-1]}"
        size = bytes_text(freed[pack]) if pack in freed else bytes_text(spare.bytes)
        rows.append([pack.stem, f"{len(spare.tiles):,}", span, size])
    echo("Stored tiles that none of these briefs needs:")
    table(["layer", "tiles", "zooms", "freed" if yes else "size"], rows)
    if yes:
        echo("They were removed from the packs.")
    else:
        echo("Nothing was removed. To remove them, run the same command with --yes.")

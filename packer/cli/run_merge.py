"""`lastbar merge` and `lastbar take-in`: joining packs, and using what is there already."""

from __future__ import annotations

from pathlib import Path

from packer.cli.briefs import brief_at
from packer.cli.output import echo, print_json, warn
from packer.common.regular_file import refuse_special
from packer.common.units import counted
from packer.errors import EXIT_NOT_COMPLETE, InputError
from packer.fetching.hosts.source import labels
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.store.merging import Merged, merge_pack, take_in

__all__ = ["run_merge", "run_take_in"]

_SHOWN = 5


def run_merge(into: Path, sources: list[Path], mix_sources: bool, as_json: bool) -> int:
    """Join the packs of each source, a pack or a folder of packs, into the folder `into`."""
    results: dict[str, Merged] = {}
    for source in sources:
        for pack in _packs(source):
            results[str(pack)] = merge_pack(into / pack.name, pack, mix_sources=mix_sources)
    return _show(results, as_json)


def _packs(source: Path) -> list[Path]:
    refuse_special(source)
    if source.is_file():
        return [source]
    packs = sorted(p for p in source.glob("*.mbtiles") if not p.name.startswith("."))
    if not packs:
        raise InputError(f"{source} has no pack in it. Name a pack, or the folder that holds the packs.")
    return packs


def run_take_in(path: Path, layer: str, held: list[Path], store: Path | None, as_json: bool) -> int:
    """Take MBTiles files or z/x/y folders into the pack of a layer of the brief at `path`."""
    brief = brief_at(path, store)
    if layer not in brief.layers:
        raise InputError(f'{path} has no layer "{layer}". Its layers: {", ".join(brief.layers)}.')
    terms = brief.layers[layer]
    said = labels(brief, plan(brief), terms, terms.format or "png", host="taken in", mark="taken in")
    into = pack_path(brief, layer, store)
    return _show({str(one): take_in(into, said, one, terms.tile_size) for one in held}, as_json)


def _show(results: dict[str, Merged], as_json: bool) -> int:
    """0 if every offered tile was intact, 1 if some were refused."""
    refused = sum(len(r.refused) for r in results.values())
    if as_json:
        print_json(
            {
                "taken": sum(r.taken for r in results.values()),
                "kept": sum(r.kept for r in results.values()),
                "dropped": [str(t) for r in results.values() for t in r.dropped],
                "refused": [
                    {"from": n, "tile": str(t), "why": w} for n, r in results.items() for t, w in r.refused
                ],
            }
        )
        return EXIT_NOT_COMPLETE if refused else 0
    for name, result in results.items():
        echo(f"{name}: {counted(result.taken, 'tile')} added, {result.kept:,} already there or older.")
        if result.dropped:
            warn(
                f"{counted(len(result.dropped), 'tile')} removed from the target pack: an earlier verify found "
                "them corrupt, and they still were. To see what is missing now, run lastbar verify."
            )
        for tile, why in result.refused[:_SHOWN]:
            warn(f"Refused {tile} of {name}: {why}.")
        if len(result.refused) > _SHOWN:
            warn(f"Refused {len(result.refused) - _SHOWN:,} more of {name}.")
    return EXIT_NOT_COMPLETE if refused else 0

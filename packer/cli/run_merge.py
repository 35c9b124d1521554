"""`lastbar merge`: joining packs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from packer.cli.output import echo, print_json, warn
from packer.common.regular_file import refuse_special
from packer.common.units import counted, size_bytes
from packer.errors import EXIT_NOT_COMPLETE, InputError
from packer.planning.pack_path import SOURCE
from packer.store.merging import Merged, merge_pack
from packer.store.pack_files import first_of, is_further_file
from packer.store.placing import FileLimit

__all__ = ["merged_json", "run_merge", "show_merged"]

_SHOWN = 5


def run_merge(
    into: Path, sources: list[Path], mix_sources: bool, as_json: bool, max_file: str | None = None
) -> int:
    """Join the packs of each source, a pack or a folder of packs, into the folder `into`; `max_file` is the size from
    which on a pack goes on in a further file, None for no limit."""
    limit = None if max_file is None else FileLimit(_size(max_file))
    results: dict[str, Merged] = {}
    for source in sources:
        for pack in _packs(source):
            results[str(pack)] = merge_pack(into / pack.name, pack, mix_sources=mix_sources, limit=limit)
    if as_json:
        print_json(merged_json(results))
    return show_merged(results, quiet=as_json)


def _size(text: str) -> int:
    try:
        return size_bytes(text)
    except ValueError as fault:
        raise InputError(f"--max-file: {fault}") from None


def _packs(source: Path) -> list[Path]:
    refuse_special(source)
    if source.is_file():
        if is_further_file(source):
            raise InputError(
                f"{source} is one of several files of a pack. Name {first_of(source)}: all its files are merged."
            )
        return [source]
    names = ("*.mbtiles", f"*{SOURCE}.sqlite")
    packs = sorted({first_of(p) for name in names for p in source.glob(name) if not p.name.startswith(".")})
    if not packs:
        raise InputError(f"{source} has no pack in it. Name a pack, or the folder that holds the packs.")
    return packs


def merged_json(results: dict[str, Merged]) -> dict[str, Any]:
    """One plain document of what came over from each source."""
    return {
        "taken": sum(r.taken for r in results.values()),
        "kept": sum(r.kept for r in results.values()),
        "lost_files": [str(path) for r in results.values() for path in r.lost],
        "dropped": [str(t) for r in results.values() for t in r.dropped],
        "refused": [{"from": n, "tile": str(t), "why": w} for n, r in results.items() for t, w in r.refused],
    }


def show_merged(results: dict[str, Merged], *, quiet: bool = False) -> int:
    """0 if every offered tile was intact, 1 if some were refused or a file was gone; says what came over, unless
    `quiet`."""
    refused = sum(len(r.refused) + len(r.lost) for r in results.values())
    for name, result in () if quiet else results.items():
        echo(f"{name}: {counted(result.taken, 'tile')} added, {result.kept:,} already there or older.")
        if result.dropped:
            warn(
                f"{counted(len(result.dropped), 'tile')} removed from the target pack: an earlier verify found "
                "them corrupt, and they still were. To see what is missing now, run lastbar verify."
            )
        for path in result.lost:
            warn(f"{path} is gone, one of the files of {name}, so what was in it was not merged.")
        for tile, why in result.refused[:_SHOWN]:
            warn(f"Refused {tile} of {name}: {why}.")
        if len(result.refused) > _SHOWN:
            warn(f"Refused {len(result.refused) - _SHOWN:,} more of {name}.")
    return EXIT_NOT_COMPLETE if refused else 0

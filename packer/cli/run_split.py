"""`lastbar split`: a folder for each part, with everything that someone else needs to fetch it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import tomlkit

from packer.cli.briefs import brief_at
from packer.cli.output import echo, print_json
from packer.common.atomic_write import make_folders, write_atomic
from packer.common.links import is_link
from packer.common.regular_file import refuse_special
from packer.common.shell import quoted, set_variable, shell_command
from packer.common.units import counted
from packer.errors import DiskError, InputError
from packer.planning.brief import Brief
from packer.planning.brief_keys import LeftOut, with_variables
from packer.planning.collection import fill_in_kept
from packer.planning.offers import cache_offer
from packer.planning.pack_path import pack_path
from packer.planning.part_tiles import PART_TILES, write_part_tiles
from packer.planning.plan import Plan, part_of, plan, served
from packer.sources.address import variables
from packer.store.pack_summary import known_summary

__all__ = ["run"]

_BESIDE = (".shp", ".shx", ".dbf", ".prj", ".cpg")  # a Shapefile is several files


def run(path: Path, count: int, to: Path | None, as_json: bool, store: Path | None = None) -> int:
    """Write `count` folders, each with a brief and its shape files, that share out what is still missing, with a
    variable in place of each key in full.

    If the process dies: some of the folders; running it again writes them all.
    """
    brief = brief_at(path, store)
    if brief.part:
        raise InputError(f"{brief.path} is already a part of a plan. Split the whole brief instead.")
    whole = plan(brief)
    missing = {
        name: known_summary(pack_path(brief, name, store)).lacking(layer.tiles)
        for name, layer in served(brief, whole).layers.items()
    }
    left = sum(map(len, missing.values()))
    folder = to or brief.folder / "parts"
    text = tomlkit.parse(brief.path.read_text(encoding="utf-8-sig"))
    fill_in_kept(text.get("layers", {}))  # the colleague has another collection
    left_out = with_variables(text)
    try:
        written = [
            _write(
                brief, text, part_of(whole, n, count, missing), folder, n, count, listed=left < whole.count
            )
            for n in range(1, count + 1)
            if left
        ]
    except OSError as fault:
        raise DiskError(
            f"{folder} cannot be written: {fault.strerror}. Free some space, or choose another folder with --to."
        ) from fault
    if as_json:
        print_json(
            {
                "done": whole.count - left,
                "missing": left,
                "parts": [{"brief": str(p), "tiles": n} for p, n in written],
                "keys_left_out": [one.to_dict() for one in left_out],
                "variables": _needed(text),
            }
        )
        return 0
    _show(brief, written, whole.count - left, folder, partial(_tell_keys, left_out, _needed(text)))
    return 0


def _needed(text: tomlkit.TOMLDocument) -> list[str]:
    """The variables that the layers of a part name."""
    found = []
    for layer in text["layers"].values():
        texts = (*layer.values(), *layer.get("headers", {}).values())
        found += [name for value in texts if isinstance(value, str) for name in variables(value)]
    return list(dict.fromkeys(found))


def _tell_keys(left_out: list[LeftOut], needed: list[str]) -> None:
    """Say which keys the parts do not have, and what their receivers have to set."""
    for one in left_out:
        echo(f"Left out of the parts: {one.where}, layer {one.layer}. {one.variable} stands in its place.")
    if needed:
        echo("Whoever fetches a part first sets, with the keys that you tell them apart from it:")
        for name in needed:
            echo(f"  {set_variable(name)}")


def _show(
    brief: Brief, written: Sequence[tuple[Path, int]], done: int, folder: Path, keys: Callable[[], None]
) -> None:
    if not written:
        echo("Nothing is missing, so there is nothing to split.")
        return
    for each, tiles in written:
        echo(f"{each}: {counted(tiles, 'tile')}")
    if done:
        verb = "is" if done == 1 else "are"
        echo(f"{counted(done, 'tile')} {verb} done here already, and in none of them.")
    keys()
    echo("Give each folder to someone, who runs lastbar fetch in it. Then join the packs:")
    echo(f"  {shell_command('merge', brief.store_folder)} {quoted(folder)}/part-*/packs")


def _write(
    brief: Brief,
    whole: tomlkit.TOMLDocument,
    part: Plan,
    folder: Path,
    number: int,
    count: int,
    *,
    listed: bool,
) -> tuple[Path, int]:
    """Write one folder. If the process dies: it is in part there; its brief, which comes last, may be an old one."""
    place = folder / f"part-{number}-of-{count}"
    _refuse_links(folder, place, place / "packs")
    make_folders(place)
    text = tomlkit.parse(tomlkit.dumps(whole))
    names: dict[Path, str] = {}
    for area in text["areas"]:
        for key in ("line", "points", "polygon"):
            if isinstance(area.get(key), str):  # positions that were drawn stand in the brief itself
                area[key] = _bring((brief.folder / str(area[key])).resolve(), place, names)
    text["store"] = "packs"
    _bring_offers(brief, place / "packs")
    # Top-level keys must come before the first heading; tomlkit would put a new one elsewhere.
    head = f'part = "{number} of {count}"\n'
    if listed:
        write_part_tiles(place / PART_TILES, {name: layer.tiles for name, layer in part.layers.items()})
        head += f'part-tiles = "{PART_TILES}"\n'
    target = place / "brief.toml"
    note = "".join(f"# Before a fetch: export {name}=...\n" for name in _needed(text))
    write_atomic(target, head + note + tomlkit.dumps(text), like=brief.path)
    if plan(brief_at(target)).fingerprint != part.fingerprint:
        raise InputError(
            f"{target} no longer gives the same plan: a shape file has changed. Run the command again."
        )
    return target, part.count


def _refuse_links(folder: Path, *places: Path) -> None:
    """Raise InputError for a link in place of a folder: what is written there would go somewhere else."""
    for place in places:
        if is_link(place):
            raise InputError(
                f"{place} is a link to somewhere else, and only folders below {folder} are written. Remove the link, "
                "or name another folder with --to."
            )


def _bring_offers(brief: Brief, packs: Path) -> None:
    """Copy what the servers offered, so that a part gives its plan before it reads anything from them."""
    for layer in brief.layers.values():
        if layer.offer is not None:
            cache_offer(layer, packs, layer.offer)


def _bring(source: Path, place: Path, names: dict[Path, str]) -> str:
    """Copy a shape file to the part's folder and give its name there; two of one name get a number."""
    if source not in names:
        taken = set(names.values())
        stem = source.stem if source.name not in taken else f"{source.stem}-{len(names) + 1}"
        names[source] = stem + source.suffix
        beside = _BESIDE if source.suffix.lower() == ".shp" else (source.suffix,)
        for one in (source.with_suffix(ending) for ending in beside):
            if one.exists():
                refuse_special(one)
                # Whole or not at all, and never through a link that bears its name.
                write_atomic(place / (stem + one.suffix), one.read_bytes())
    return names[source]

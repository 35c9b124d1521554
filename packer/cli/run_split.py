"""`lastbar split`: a folder for each part, with everything that someone else needs to fetch it."""

from __future__ import annotations

from pathlib import Path

import tomlkit

from packer.cli.briefs import brief_at
from packer.cli.output import echo, print_json
from packer.common.atomic_write import make_folders, write_atomic
from packer.common.regular_file import refuse_special
from packer.common.shell import quoted, shell_command
from packer.errors import DiskError, InputError
from packer.planning.brief import Brief
from packer.planning.brief_keys import LeftOut, with_variables
from packer.planning.offers import cache_offer
from packer.planning.plan import Plan, part_of, plan
from packer.sources.address import variables

__all__ = ["run"]

_BESIDE = (".shp", ".shx", ".dbf", ".prj", ".cpg")  # a Shapefile is several files


def run(path: Path, count: int, to: Path | None, as_json: bool) -> int:
    """Write `count` folders, each with a brief and its shape files, with a variable in place of each key in full.

    If the process dies: some of the folders; running it again writes them all.
    """
    brief = brief_at(path)
    if brief.part:
        raise InputError(f"{brief.path} is already a part of a plan. Split the whole brief instead.")
    whole = plan(brief)
    folder = to or brief.folder / "parts"
    text = tomlkit.parse(brief.path.read_text(encoding="utf-8-sig"))
    left_out = with_variables(text)
    try:
        written = [
            _write(brief, text, part_of(whole, n, count), folder / f"part-{n}-of-{count}")
            for n in range(1, count + 1)
        ]
    except OSError as fault:
        raise DiskError(
            f"{folder} cannot be written: {fault.strerror}. Free some space, or choose another folder with --to."
        ) from fault
    if as_json:
        parts = [{"brief": str(p), "tiles": n} for p, n in written]
        keys = {"keys_left_out": [one.to_dict() for one in left_out], "variables": _needed(text)}
        print_json({"parts": parts, **keys})
        return 0
    for each, tiles in written:
        echo(f"{each}: {tiles:,} {'tile' if tiles == 1 else 'tiles'}")
    _tell_keys(left_out, _needed(text))
    echo("Give each folder to someone, who runs lastbar fetch in it. Then join the packs:")
    echo(f"  {shell_command('merge', brief.store_folder)} {quoted(folder)}/part-*/packs")
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
            echo(f"  export {name}=...")


def _write(brief: Brief, whole: tomlkit.TOMLDocument, part: Plan, place: Path) -> tuple[Path, int]:
    _refuse_links(place.parent, place, place / "packs")
    make_folders(place)
    text = tomlkit.parse(tomlkit.dumps(whole))
    names: dict[Path, str] = {}
    for area in text["areas"]:
        for key in ("line", "points", "polygon"):
            if key in area:
                area[key] = _bring((brief.folder / str(area[key])).resolve(), place, names)
    text["store"] = "packs"
    _bring_offers(brief, place / "packs")
    # Top-level keys must come before the first heading; tomlkit would put a new one elsewhere.
    target = place / "brief.toml"
    note = "".join(f"# Before a fetch: export {name}=...\n" for name in _needed(text))
    _, number, _, count = place.name.split("-")
    write_atomic(target, f'part = "{number} of {count}"\n{note}{tomlkit.dumps(text)}', like=brief.path)
    if plan(brief_at(target)).fingerprint != part.fingerprint:
        raise InputError(
            f"{target} no longer gives the same plan: a shape file has changed. Run the command again."
        )
    return target, part.count


def _refuse_links(folder: Path, *places: Path) -> None:
    """Raise InputError for a link in place of a folder: what is written there would go somewhere else."""
    for place in places:
        if place.is_symlink():
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

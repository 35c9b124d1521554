"""Which names in a folder belong to a handover, so that nobody else's file is ever replaced."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from packer.common.links import is_link
from packer.errors import InputError, StoreError
from packer.handover.crew_folders import crew_below, is_unfinished, plain_name, read_record
from packer.handover.journal import read_journal
from packer.handover.manifest import CARD, CREWS, MANIFEST, read_manifest
from packer.store.disk_errors import translated

__all__ = [
    "refuse_foreign_files",
    "refuse_foreign_record",
    "refuse_links",
    "refuse_mixture",
]


def refuse_mixture(to: Path, crews: bool) -> None:
    """Raise InputError where `to` holds a handover without crews and this one has them, or the reverse.

    Of the old files nothing would be replaced, and whoever looks at the card could take them for the new ones.
    """
    said = None
    with translated(to):
        plain = crews and ((to / MANIFEST).exists() or is_unfinished(to))
    if plain:
        said = f"{to} has files of a handover without crews, but this one has crews"
    elif not crews and (other := crew_below(to)) is not None:
        said = f"{other} is from a handover with crews, but this one has none"
    if said is not None:
        raise InputError(
            f"{said}. Nothing was handed over. Remove the old files and folders from {to}, or name another folder "
            "with --to."
        )


def refuse_links(to: Path, folder: Path, wanted: Iterable[str]) -> None:
    """Raise InputError if the folder of a copy, or a name wanted in it, is a link: it would lead out of `to`.

    `to` itself may be one, since the planner has named it. Raises DiskError for a folder that cannot be looked into.
    """
    own = [] if folder == to else [folder]
    with translated(folder):
        links = [path for path in (*own, *(folder / name for name in wanted)) if is_link(path)]
    if links:
        raise InputError(
            f"{links[0]} is a link to somewhere else, but a handover writes only below {to}. Nothing was handed over. "
            "Remove the link, or name another folder with --to."
        )


def refuse_foreign_record(to: Path) -> None:
    """Raise InputError if what bears the name of the record of crews in `to` is not one of ours."""
    try:
        read_record(to)
    except StoreError as fault:
        raise InputError(
            f"{to} has a {CREWS} that is damaged or was not written by a handover. Nothing there was changed. Move "
            "it away, or name another folder with --to."
        ) from fault


def refuse_foreign_files(folder: Path, wanted: Iterable[str], store: Path) -> set[str]:
    """Raise InputError for a folder whose files a handover must not replace; give the names that are ours."""
    if folder.resolve() == store.resolve():
        raise InputError(f"{folder} is the folder of the packs. Name another folder with --to.")
    ours = _claimed(folder)
    there = {plain_name(path.name) for path in folder.iterdir()} if folder.is_dir() else set()
    names = set(map(plain_name, wanted))  # on many cards letters of either case are one
    mine = set(map(plain_name, ours))
    foreign = sorted((names & there) - mine)
    if foreign:
        raise InputError(
            f"{folder / foreign[0]} already exists and is not from a handover, so it was not changed. Move it "
            "away, or name another folder with --to."
        )
    stale = sorted((mine & there) - names - {CARD.casefold(), MANIFEST})
    if stale:
        raise InputError(
            f"{folder} has files of an earlier handover that this one would not replace, for example {stale[0]}. "
            "Remove them, or name another folder with --to."
        )
    return ours


def _claimed(folder: Path) -> set[str]:
    """The names that earlier handovers gave, by their manifest or by what a killed run left."""
    names: set[str] = set()
    if (folder / MANIFEST).exists():
        try:
            names |= {file.name.split("/")[0] for file in read_manifest(folder).files}
        except StoreError as fault:
            raise InputError(
                f"{folder} has a {MANIFEST} that is damaged or was not written by a handover. Nothing there was "
                "changed. Move it away, or name another folder with --to."
            ) from fault
    return names | read_journal(folder).names

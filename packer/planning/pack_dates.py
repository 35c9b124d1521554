"""The dates of packs held against those that the brief asks for: tiles of two dates never come into one pack."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from packer.errors import InputError, StoreError
from packer.planning.brief import Brief
from packer.planning.offers import date_of
from packer.planning.pack_path import pack_path
from packer.store.labels import date_on_board

__all__ = ["check_pack_dates"]


def check_pack_dates(brief: Brief, layers: Iterable[str], store: Path | None) -> None:
    """Raise InputError for the first of these layers whose pack holds tiles of another date than the brief's.

    A pack that cannot be read is left to whoever reads it next.
    """
    for name in layers:
        pack, asked = pack_path(brief, name, store), date_of(brief.layers[name])
        with suppress(StoreError):
            held = date_on_board(pack)
            if held is not None and held != (asked or ""):
                raise InputError(
                    f"{pack} holds tiles {_of(held)}, but the brief asks for tiles {_of(asked or '')}. Tiles of two "
                    f"dates do not go into one pack. Give the layer another name for the new date"
                    + (
                        f', or write date = "{held}" below [layers.{name}].'
                        if held
                        else ", or move the pack away."
                    )
                )


def _of(date: str) -> str:
    return f"of {date}" if date else "without a date"

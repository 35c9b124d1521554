"""What is to be said of the keys of a brief: those that are lacking, and those that will end."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator

from packer.fetching.hosts.layer_keys import end_remark, key_names
from packer.planning.brief import Brief, Layer
from packer.planning.plan import Plan
from packer.sources.address import UnsetError, fill
from packer.sources.key_ends import end_of
from packer.sources.key_sources import has_keyring, key_values

__all__ = ["key_notes", "lacking_note"]


def key_notes(brief: Brief, plan: Plan, *, lacking: bool = True) -> Iterator[str]:
    """A sentence for each variable that has no value, if `lacking`, and for each key that says when it ends. No
    command is run for it."""
    told: set[str] = set()
    for name, layer in brief.layers.items():
        if not plan.layers[name].tiles:
            continue
        found = key_values(key_names(layer), os.environ)
        unset = [one for one in key_names(layer) if not found.get(one, "").strip()]
        for one in unset if lacking and not layer.key_command else ():
            if one not in told:
                told.add(one)
                yield lacking_note(one)
        if not unset and (ends := _end(layer, found)) is not None:
            yield end_remark(layer, ends, time.time())


def lacking_note(name: str) -> str:
    """That a variable has no value."""
    keyring = f" Set it, or keep it in the keyring: lastbar key set {name}" if has_keyring() else ""
    return f"The environment variable {name} is not set, but the fetch needs it.{keyring}"


def _end(layer: Layer, found: dict[str, str]) -> float | None:
    try:
        return end_of(fill(text, found) for text in layer.keyed)
    except UnsetError:
        return None

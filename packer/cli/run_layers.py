"""`lastbar layers`: the planner's own collection of layers, to list, to hand on, and to take a colleague's into."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from packer.cli.output import echo, print_json
from packer.planning.collection import FROM, Collection
from packer.planning.layer_names import ADDRESS_KEYS
from packer.sources.safe_address import shown

__all__ = ["run"]


def run(file: Path | None, as_json: bool) -> int:
    """Take in the layers of `file`, if one is given, and list the collection.

    Raises InputError for a file that is none, DiskError if the collection cannot be written. If the process dies: the
    old collection or the new one.
    """
    collection = Collection()
    taken = [] if file is None else collection.take_file(file)
    layers = collection.to_dict()
    if as_json:
        told = {name: {**values, **_address(values)} for name, values in layers.items()}
        print_json({"file": str(collection.path), "taken": taken, "layers": told})
        return 0
    if file is not None:
        echo(
            f"Taken in: {', '.join(taken)}."
            if taken
            else "Nothing was taken in: you have layers of all these names."
        )
    for name, values in layers.items():
        echo(f"{name}: {next(iter(_address(values).values()), 'no address')}")
    if not layers:
        echo("The collection is empty. The desk keeps each layer that you add.")
        return 0
    echo(
        f'In a brief: [layers.NAME] with {FROM} = "{next(iter(layers))}". To hand them on, give this file away;'
    )
    echo("it holds no keys:")
    echo(f"  {collection.path}")
    return 0


def _address(values: dict[str, Any]) -> dict[str, str]:
    return {key: shown(str(values[key])) for key in ADDRESS_KEYS if key in values}

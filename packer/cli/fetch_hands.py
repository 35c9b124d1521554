"""Who fetches, by `--hands`, and the code by which other machines join."""

from __future__ import annotations

import sys

from packer.cli.fetch_options import FetchOptions
from packer.cli.output import echo_wrapped, warn
from packer.cli.terminal import show_square
from packer.errors import InputError
from packer.fetching.hands.host import MOST_HERE, SHARE, Hands, check_hands
from packer.view.server import only_address, shareable_addresses

__all__ = ["hands_for", "show_code"]


def hands_for(asked: FetchOptions) -> Hands | None:
    """Who fetches; None for this process alone. Raises InputError for what cannot be."""
    text = asked.hands
    if text is None:
        return None
    check_hands()
    if text.isascii() and text.isdigit():
        if not 0 < int(text) <= MOST_HERE:
            raise InputError(f"--hands {text}: give a number from 1 to {MOST_HERE}, an address, or share.")
        return Hands(int(text))
    return Hands(1, _address() if text == SHARE else text, show_code)


def _address() -> str:
    found = shareable_addresses()
    choose = f"Give the one that the other machines can reach, for example --hands {next(iter(found), '')}."
    return only_address(found, "no other one can", choose)


def show_code(code: str) -> None:
    """How another machine joins."""
    echo_wrapped("Other machines in this network may fetch as well. On each, run:")
    sys.stdout.write(f"  lastbar hand {code}\n")
    show_square(code, "l")
    warn(
        "Whoever has this code can send tiles into these packs, and sees the keys of their layers. This machine "
        "fetches too."
    )
    sys.stdout.flush()

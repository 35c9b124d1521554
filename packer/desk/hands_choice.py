"""Several machines for one fetch of the desk: what can be chosen, why it may not be had, and the code by which they
join."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import segno

from packer.errors import InputError
from packer.fetching.hands.host import MOST_HERE, SHARE, check_hands
from packer.view.server import only_address, shareable_addresses

__all__ = ["code_facts", "hands_asked", "hands_facts"]

_LONGEST_PLACE = 200


def hands_facts() -> dict[str, Any]:
    """What a page needs to offer the choice: `why` it cannot be had, "" if it can, and the `addresses` of this machine
    in local networks."""
    why = ""
    try:
        check_hands()
    except InputError as fault:
        why = f"{fault} Then start the desk again."
    return {"why": why, "addresses": shareable_addresses()}


def hands_asked(options: Mapping[str, Any]) -> tuple[int, str | None] | None:
    """Who fetches by the option `hands`: the number of processes here, and where other machines reach this one. None
    for this machine alone. Raises InputError for what cannot be had."""
    text = options.get("hands") or None
    if text is None:
        return None
    if not isinstance(text, str) or len(text) > _LONGEST_PLACE:
        raise InputError('Who fetches is "share", an address of this machine, or a number such as "3".')
    check_hands()
    if text.isascii() and text.isdigit():
        if not 0 < int(text) <= MOST_HERE:
            raise InputError(f"The number of processes on this machine is 1 to {MOST_HERE}, not {text}.")
        return int(text), None
    if text != SHARE:
        return 1, text
    choose = "Choose the one that the other machines can reach."
    return 1, only_address(shareable_addresses(), "no other one can", choose)


def code_facts(code: str) -> dict[str, Any]:
    """The code as text, and as the rows of a QR code (ISO/IEC 18004) in which 1 is dark, its quiet zone included."""
    square = segno.make(code, micro=False, error="l")
    return {"code": code, "square": ["".join("01"[bool(one)] for one in row) for row in square.matrix_iter()]}

"""The speed of a link, and how it is known."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["AssumedSpeed"]


@dataclass(frozen=True, slots=True)
class AssumedSpeed:
    """Bits a second, and where it is from: "given", "measured" or "last run"."""

    bits_per_second: float
    basis: str

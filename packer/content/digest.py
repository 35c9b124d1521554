"""The hash by which a tile body is known."""

from __future__ import annotations

import hashlib

__all__ = ["body_hash"]


def body_hash(data: bytes) -> bytes:
    """SHA-256 of a tile body, 32 bytes."""
    return hashlib.sha256(data).digest()

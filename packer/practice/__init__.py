"""The practice server and the invented place it surveys, for the demonstration and for training.

    with PracticeServer() as server:
        write_place(folder, server.base_url)

Nothing here is needed to fetch from a real server. Everything listens on 127.0.0.1 only.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from packer.practice.counting import Counts
    from packer.practice.place import write_place
    from packer.practice.server import PracticeServer

__all__ = ["Counts", "PracticeServer", "write_place"]

_HOME = {
    "Counts": "packer.practice.counting",
    "PracticeServer": "packer.practice.server",
    "write_place": "packer.practice.place",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'packer.practice' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)

"""`lastbar practice`: the practice server, until Ctrl-C."""

from __future__ import annotations

__all__ = ["run"]


def run(port: int) -> int:
    """Serve until stopped."""
    from packer.practice.server import serve

    serve(port)
    return 0

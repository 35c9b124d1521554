"""A child process of a fetch that decodes each JPEG, to find those whose picture was cut.

Standard input: bodies, each after its length. Standard output: one byte when it is ready, then one finding for each
body, in the same order. It ends when its input ends, so it never outlives the fetch.
"""

from __future__ import annotations

import contextlib
import os
import signal
import struct

from packer.content.damage import Damaged, NotATile
from packer.content.digest import body_hash
from packer.content.payload import Kind, examine, is_truncated

__all__ = ["FINDING", "LENGTH", "READY", "main"]

LENGTH = struct.Struct(">I")
"""Before each body, its number of bytes."""
FINDING = struct.Struct(">?HH32s")
"""For each body: whether it is a whole JPEG, its width and height in px, and its SHA-256."""
READY = b"\1"
_UNFIT = FINDING.pack(False, 0, 0, b"")
_READ_BYTES = 1 << 16  # what a pipe holds


def _finding(body: bytes) -> bytes:
    try:
        kind, size_px = examine(body)
    except (Damaged, NotATile):
        return _UNFIT
    if kind is not Kind.JPG or size_px is None or is_truncated(body):
        return _UNFIT
    return FINDING.pack(True, *size_px, body_hash(body))


def main() -> None:
    """Answer until the input ends. If it is killed: the fetch checks these bodies itself."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(10)  # the fetch's own process keeps the link busy, so it comes first
    come = bytearray()
    with contextlib.suppress(BrokenPipeError):
        os.write(1, READY)
        while chunk := os.read(0, _READ_BYTES):
            come += chunk
            at, findings = 0, []
            while len(come) >= at + LENGTH.size:
                start = at + LENGTH.size
                stop = start + LENGTH.unpack_from(come, at)[0]
                if stop > len(come):
                    break
                findings.append(_finding(bytes(come[start:stop])))
                at = stop
            del come[:at]
            if findings:
                os.write(1, b"".join(findings))


if __name__ == "__main__":
    main()

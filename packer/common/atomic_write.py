"""Small files that are there whole or not at all."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

__all__ = ["write_atomic"]


def write_atomic(path: Path, content: bytes | str) -> None:
    """Make a file, or replace one and keep its mode; text goes as UTF-8, with its line ends as they are.

    Raises OSError, and has then changed nothing. If the process dies or the power fails: the old file or the new
    one, and maybe a hidden one beside it that ends in `.part`.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    half = path.with_name(f".{path.name.removeprefix('.')}.part")
    try:
        half.unlink(missing_ok=True)  # never written through: it could be a link to anywhere
        with half.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())  # or a power cut could leave an empty file under the name
        with contextlib.suppress(FileNotFoundError):
            half.chmod(path.stat().st_mode)
        half.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            half.unlink(missing_ok=True)
        raise

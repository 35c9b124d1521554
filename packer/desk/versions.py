"""The last versions of a brief, each a file in a hidden folder beside it."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Collection
from datetime import datetime
from pathlib import Path

from packer.common.atomic_write import write_atomic
from packer.common.links import is_link
from packer.errors import DiskError, InputError

__all__ = ["KEPT", "Versions"]

KEPT = 20
_LEAST_APART_S = 60.0  # else the twenty would be the last twenty drags of one corner
_NAME = re.compile(r"\d{8}-\d{6}(-\d{1,3})?\.toml")


class Versions:
    """The versions of the brief at `path`, in `.versions/<its name>` beside it; `now` gives seconds since 1970."""

    def __init__(self, path: Path, now: Callable[[], float]) -> None:
        self._brief, self._now = path, now
        self._folder = path.parent / ".versions" / path.stem
        self._last_kept: float | None = None

    def keep(self, text: str, *, always: bool = False) -> None:
        """Keep a text as a version, unless one was kept less than a minute ago; the oldest beyond twenty goes.

        Raises DiskError. If the process dies: the version is there or not, and maybe one too many.
        """
        now = self._now()
        recent = self._last_kept is not None and 0 <= now - self._last_kept < _LEAST_APART_S
        if recent and not always:
            return
        names = self.names()
        if names and self.text(names[0]) == text:
            return
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            write_atomic(self._folder / self._free_name(now), text, like=self._brief)
            for name in self.names()[KEPT:]:
                (self._folder / name).unlink(missing_ok=True)
        except OSError as fault:
            raise DiskError(
                f"{self._folder} cannot be written: {fault.strerror}. The change was not made."
            ) from fault
        self._last_kept = now

    def keep_file(self, path: Path, needed: Collection[Path] = ()) -> Path:
        """Keep a shape file that is about to be replaced; gives where. The oldest beyond twenty go, but for `needed`.

        Raises OSError. If the process dies: it is there whole, or not at all.
        """
        folder = self._folder / "files"
        folder.mkdir(parents=True, exist_ok=True)
        at = f"{datetime.fromtimestamp(self._now()):%Y%m%d-%H%M%S}"
        names = (f"{at}{f'-{n:03}' if n > 1 else ''} {path.name}" for n in range(1, 1000))
        kept = next(one for name in names if not (one := folder / name).exists())
        write_atomic(kept, path.read_bytes(), like=path)
        for old in sorted(folder.glob("*"))[:-KEPT]:
            if old not in needed:
                old.unlink(missing_ok=True)
        return kept

    def names(self) -> list[str]:
        """Names of the versions, newest first: local date and time."""
        with contextlib.suppress(OSError):
            found = (p.name for p in self._folder.iterdir() if not is_link(p))
            return sorted(filter(_NAME.fullmatch, found), key=_age, reverse=True)
        return []

    def text(self, name: str) -> str:
        """One version. Raises InputError for a name that is none of them."""
        if name not in self.names():
            raise InputError(f"There is no version {name!r} of this brief any more.")
        try:
            return (self._folder / name).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as fault:
            raise DiskError(f"{self._folder / name} cannot be read.") from fault

    def _free_name(self, now: float) -> str:
        stem = datetime.fromtimestamp(now).strftime("%Y%m%d-%H%M%S")
        there = set(self.names())
        names = [f"{stem}.toml", *(f"{stem}-{n}.toml" for n in range(2, 1000))]
        return next(name for name in names if name not in there)


def _age(name: str) -> tuple[str, int]:
    day, time, *number = name.removesuffix(".toml").split("-")
    return f"{day}-{time}", int(number[0]) if number else 1

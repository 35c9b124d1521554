"""Folders that think otherwise of names than those of Linux, by a shim over what Python asks the system and SQLite.

Below its root a name is there under every spelling that the other system takes for the same, and it is listed as that
system keeps it. Those of FAT, exFAT, NTFS and of most Macs take letters of either case for the same; those of older
Macs (HFS+) keep every name decomposed (Apple, Technical Note TN1150, "Unicode Subtleties").
"""

from __future__ import annotations

import builtins
import io
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unicodedata import normalize
from urllib.parse import quote, unquote

import pytest

__all__ = ["KINDS", "OtherFolders"]

KINDS: dict[str, tuple[Callable[[str], str], Callable[[str], str]]] = {
    "letters of either case are one": (lambda name: name, lambda name: normalize("NFC", name).casefold()),
    "names are kept decomposed": (lambda name: normalize("NFD", name), lambda name: normalize("NFC", name)),
}
"""Each with how a new name is kept, and with what names have in common that are the same."""

_ONE = (
    "stat",
    "lstat",
    "mkdir",
    "unlink",
    "remove",
    "rmdir",
    "scandir",
    "listdir",
    "open",
    "utime",
    "chmod",
    "access",
)
_TWO = ("rename", "replace", "link")


class OtherFolders:
    """All of `root` as a folder of such a system, as long as `monkeypatch` lasts. `asked` counts the paths that went
    by another spelling than they are kept under."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, root: Path, kind: str) -> None:
        self._root, self.asked = str(root), 0
        self._keep, self._same = KINDS[kind]
        self._list = os.listdir
        for name in _ONE:
            monkeypatch.setattr(os, name, self._one(getattr(os, name)))
        for name in _TWO:
            monkeypatch.setattr(os, name, self._two(getattr(os, name)))
        opens = self._one(io.open)
        monkeypatch.setattr(io, "open", opens)
        monkeypatch.setattr(builtins, "open", opens)
        connects = sqlite3.connect
        monkeypatch.setattr(sqlite3, "connect", lambda at, *a, **k: connects(self._database(at), *a, **k))

    def real(self, path: Any) -> Any:
        """Where Linux has what a path names; a path outside, or none at all, as it is."""
        if not isinstance(path, str | os.PathLike):
            return path
        text = os.fspath(path)
        if not isinstance(text, str) or not text.startswith(self._root + "/"):
            return path
        here = self._root
        for name in text[len(self._root) + 1 :].split("/"):
            here = f"{here}/{self._kept(here, name)}"
        self.asked += here != text
        return here

    def _kept(self, folder: str, name: str) -> str:
        try:
            there = self._list(folder)
        except OSError:
            there = []
        return next((one for one in there if self._same(one) == self._same(name)), self._keep(name))

    def _one(self, does: Callable[..., Any]) -> Callable[..., Any]:
        return lambda path=".", *more, **named: does(self.real(path), *more, **named)

    def _two(self, does: Callable[..., Any]) -> Callable[..., Any]:
        return lambda first, second, *more, **named: does(self.real(first), self.real(second), *more, **named)

    def _database(self, at: Any) -> Any:
        if not str(at).startswith("file:"):
            return self.real(at)
        path, mark, query = str(at).removeprefix("file://").partition("?")
        return f"file://{quote(self.real(unquote(path)))}{mark}{query}"

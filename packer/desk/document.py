"""The brief as the desk holds it: text that changes step by step, saved at once, with every step kept."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.exceptions import TOMLKitError

from packer.common.atomic_write import make_folders, write_atomic
from packer.desk.changes import Change, SetArea, make
from packer.desk.versions import Versions
from packer.errors import BriefError, DiskError, InputError
from packer.planning.brief import Brief

__all__ = ["ChangedElsewhereError", "Document", "Snapshot", "StaleRevisionError"]

_FIRST = "# What is to be on board. The desk writes this file; it may be edited by hand as well.\ntitle = {title}\n"


class StaleRevisionError(InputError):
    """The page has changed an older brief than the one that is there now."""


class ChangedElsewhereError(InputError):
    """The file was changed by another hand since it was last read or written here."""

    def __init__(self, path: Path, theirs: str, ours: str) -> None:
        super().__init__(
            f"{path} was changed by another program meanwhile. Nothing was written. Choose which of the two to keep."
        )
        self.theirs, self.ours = theirs, ours


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One state of the document. `brief` is None while it lacks what every brief needs, as `lacks` says; `saved` says
    whether there is a file yet."""

    revision: int
    text: str
    brief: Brief | None
    lacks: str | None
    can_undo: bool
    can_redo: bool
    saved: bool


@dataclass(frozen=True, slots=True)
class _UndoStep:
    """What Undo or Redo goes back to: a text or, where a shape file was replaced, what is kept of that file."""

    text: str
    file: Path | None = None
    kept: Path | None = None


class Document:
    """A brief that several pages may look at and change; safe to use from any thread.

    Opening a file that is not there begins one that is written with the first change. Raises BriefError for a file
    that is no sound brief and does not merely lack layers or areas.
    """

    def __init__(self, path: Path, *, now: Callable[[], float]) -> None:
        # A name without an ending that is not there yet is that of a folder, as for `lastbar new`.
        plain_file = path.is_file() or (bool(path.suffix) and not path.is_dir())
        self.path = path if plain_file else path / "brief.toml"
        self._versions, self._lock = Versions(self.path, now), threading.RLock()
        self._parsed: TOMLDocument | None = None  # of the present text, if it is at hand
        self._undo: list[_UndoStep] = []
        self._redo: list[_UndoStep] = []
        self._revision = 1
        self._on_disk = self._read()
        title = tomlkit.item(self.path.absolute().parent.name or "Trip").as_string()
        self._text = self._on_disk if self._on_disk is not None else _FIRST.format(title=title)
        self._brief, self._lacks = self._checked(self._text)

    def now(self) -> Snapshot:
        """The present state."""
        with self._lock:
            return Snapshot(
                self._revision,
                self._text,
                self._brief,
                self._lacks,
                bool(self._undo),
                bool(self._redo),
                self._on_disk is not None,
            )

    def change(self, revision: int, change: Change) -> Snapshot:
        """Make a change to this revision and save it.

        Raises StaleRevisionError, ChangedElsewhereError, InputError or BriefError, and has then changed nothing;
        DiskError if it could not be saved. If the process dies: the old file or the new one.
        """
        with self._lock:
            self._expect(revision)
            document, self._parsed = self._parsed or tomlkit.parse(self._text), None
            make(change, document)
            found = self._step(tomlkit.dumps(document))
            if isinstance(change, SetArea):
                self._parsed = document  # parsing takes longest in a long brief, and areas are dragged about
            return found

    def undo(self, revision: int) -> Snapshot:
        """Take the last change back, or a shape file. Raises as `change`, and InputError where there is none."""
        return self._back(revision, self._undo, self._redo, "There is nothing to undo.")

    def redo(self, revision: int) -> Snapshot:
        """Make the change again that was last taken back. Raises as `change`."""
        return self._back(revision, self._redo, self._undo, "There is nothing to redo.")

    def replace(self, revision: int, text: str) -> Snapshot:
        """Put another text in place of the whole, such as an earlier version. Raises as `change`."""
        with self._lock:
            self._expect(revision)
            return self._step(text)

    def take_theirs(self) -> Snapshot:
        """Go on with the file as another hand left it; the own state can be had back by undo.

        Raises BriefError if that file is no sound brief.
        """
        with self._lock:
            theirs = self._read()
            if theirs is None:
                raise InputError(f"{self.path} is not there any more.")
            brief, lacks = self._checked(theirs)
            self._undo.append(_UndoStep(self._text))
            self._redo.clear()
            self._on_disk, self._text, self._parsed = theirs, theirs, None
            self._brief, self._lacks = brief, lacks
            self._revision += 1
            return self.now()

    def keep_ours(self) -> Snapshot:
        """Write the own state over the file as another hand left it, which is kept as a version first."""
        with self._lock:
            theirs = self._read()
            if theirs is not None:
                self._versions.keep(theirs, always=True)
            self._on_disk = theirs
            self._save(self._text)
            return self.now()

    def replace_file(self, path: Path, by: Path) -> str:
        """Put one shape file in place of another, which is kept among the versions; gives where. Undo brings it back.

        Raises OSError. If the process dies: the old file or the new one, whole.
        """
        with self._lock:
            kept = self._keep_file(path)
            by.replace(path)
            self._undo.append(_UndoStep(self._text, path, kept))
            self._redo.clear()
            self._revision += 1
            return str(kept)

    def _keep_file(self, path: Path) -> Path:
        steps = (*self._undo, *self._redo)
        return self._versions.keep_file(path, needed={one.kept for one in steps if one.kept})

    def touch(self) -> None:
        """Something that the brief names has changed: every page has to look again."""
        with self._lock:
            self._revision += 1

    def versions(self) -> list[str]:
        """The names of the kept versions, newest first."""
        return self._versions.names()

    def version(self, name: str) -> str:
        """The text of a kept version. Raises InputError for a name that is none."""
        return self._versions.text(name)

    def _back(self, revision: int, source: list[_UndoStep], target: list[_UndoStep], none: str) -> Snapshot:
        with self._lock:
            self._expect(revision)
            if not source:
                raise InputError(none)
            step, back = source[-1], _UndoStep(self._text)
            if step.file is None:
                self._save(step.text)
            else:
                back = self._exchange(step.file, step.kept)
            source.pop()
            target.append(back)
            return self.now()

    def _exchange(self, path: Path, kept: Path | None) -> _UndoStep:
        """Put a kept shape file back; the step that takes this back. Raises DiskError, and has then changed nothing."""
        assert kept is not None
        try:
            content = kept.read_bytes()
            back = _UndoStep(self._text, path, self._keep_file(path))
            write_atomic(path, content, like=path)
        except OSError as fault:
            raise DiskError(f"{path} cannot be put back from {kept}: {fault.strerror}.") from fault
        self._revision += 1
        return back

    def _step(self, text: str) -> Snapshot:
        before = self._text
        if text != before:
            self._save(text)
            self._undo.append(_UndoStep(before))
            self._redo.clear()
        return self.now()

    def _save(self, text: str) -> None:
        """Check, keep the version before, write, and only then take the new state for the present one."""
        brief, lacks = self._checked(text)
        there = self._read()
        if _mark(there) != _mark(self._on_disk):
            raise ChangedElsewhereError(self.path, there or "", self._text)
        if there is not None:
            self._versions.keep(there)
        try:
            make_folders(self.path.parent)
            write_atomic(self.path, text)
        except OSError as fault:
            raise DiskError(
                f"{self.path} could not be saved: {fault.strerror}. The change was not made."
            ) from fault
        self._on_disk, self._text, self._parsed = text, text, None
        self._brief, self._lacks = brief, lacks
        self._revision += 1

    def _checked(self, text: str) -> tuple[Brief | None, str | None]:
        """The brief of a text, or what it still lacks. Raises BriefError for any other fault."""
        try:
            return Brief.from_text(text, self.path), None
        except BriefError as fault:
            lacks = _lacks(text)
            if lacks is None:
                raise
            # With what is missing put in, nothing else may be wrong.
            Brief.from_text(_completed(text), self.path)
            del fault
            return None, lacks

    def _expect(self, revision: int) -> None:
        if revision != self._revision:
            raise StaleRevisionError(
                "The brief has changed since this page last saw it. The page shows the new one now."
            )

    def _read(self) -> str | None:
        """The file's text, None where there is none. Raises BriefError for what cannot be read."""
        try:
            return self.path.read_text(encoding="utf-8-sig").replace("\r\n", "\n")
        except FileNotFoundError:
            return None
        except UnicodeDecodeError:
            raise BriefError(f"{self.path} is not UTF-8 text. Save it as UTF-8 and try again.") from None
        except OSError as fault:
            raise BriefError(f"{self.path} cannot be read: {fault.strerror}.") from fault


def _mark(text: str | None) -> bytes | None:
    return None if text is None else hashlib.sha256(text.encode()).digest()


def _lacks(text: str) -> str | None:
    """What of layers and areas a text does not have, in words; None if it has both, or is no TOML."""
    try:
        document = tomlkit.parse(text)
    except TOMLKitError:
        return None
    lacking = [
        word for key, word in (("layers", "a map layer"), ("areas", "an area")) if not document.get(key)
    ]
    return " and ".join(lacking) or None


def _completed(text: str) -> str:
    document = tomlkit.parse(text)
    if not document.get("layers"):
        document.pop("layers", None)
        layer = {
            "url": "http://127.0.0.1/{z}/{x}/{y}",
            "zooms": [0, 1],
            "attribution": "-",
            "permission": "-",
        }
        document["layers"] = {"placeholder": layer}
    if not document.get("areas"):
        document.pop("areas", None)
        document["areas"] = [{"name": "placeholder", "box": [0, 0, 1, 1], "deepest": 1}]
    return tomlkit.dumps(document)

"""XML read element by element: no entity is expanded, no other file is opened, and depth is bounded."""

from __future__ import annotations

from collections.abc import Collection
from typing import IO, NoReturn
from xml.parsers import expat

from packer.geometry.files.drawing import plain

__all__ = ["XmlWalk"]

_DEEPEST = 100  # elements in one another; no format here needs thirty


class XmlWalk:
    """Follows the elements of a file as they come. Names are local ones, without a prefix.

    `open` holds the names of the elements that are open, at both calls with the element itself as the last one.
    """

    roots: Collection[str] = ()
    kind = "XML"

    def __init__(self) -> None:
        self.open: list[str] = []
        self._texts: list[list[str]] = []
        self._begun = False
        self.parser = expat.ParserCreate()
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.parser.StartDoctypeDeclHandler = _refuse_doctype
        self.parser.buffer_text = True

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """An element begins."""
        raise NotImplementedError

    def end(self, name: str, text: str) -> None:
        """An element ends; `text` is what stands directly in it."""
        raise NotImplementedError

    def read(self, file: IO[bytes]) -> None:
        """Follow a whole file. Raises ValueError, worded for the planner, where it is no whole XML of this kind."""
        try:
            self.parser.ParseFile(file)
        except expat.ExpatError as fault:
            if not self._begun:
                raise ValueError(
                    f"it does not begin with {self._wanted}: it is empty, cut off, or not a {self.kind} file"
                ) from None
            what = expat.ErrorString(fault.code)
            raise ValueError(
                f"line {fault.lineno} is not well-formed XML ({what}); the file may be cut off"
            ) from None
        except (LookupError, UnicodeError):
            raise ValueError("its encoding is not known; save it in UTF-8") from None

    @property
    def parent(self) -> str:
        """The element round the last one that is open."""
        return self.open[-2] if len(self.open) > 1 else ""

    def refuse(self, why: str) -> NoReturn:
        """Raise ValueError with the line that the parser stands at."""
        raise ValueError(f"line {self.parser.CurrentLineNumber}: {why}")

    @property
    def _wanted(self) -> str:
        return " or ".join(f"<{name}>" for name in list(self.roots)[:1]) or "an element"

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        if not self.open and self.roots and name not in self.roots:
            self.refuse(
                f"its root element is not {self._wanted} but <{plain(name)}>, so it is not a {self.kind} file"
            )
        self._begun = True
        if len(self.open) >= _DEEPEST:
            self.refuse(f"its elements are nested more than {_DEEPEST} deep, too deep for any shape file")
        self.open.append(name)
        self._texts.append([])
        self.start(name, attributes)

    def _text(self, text: str) -> None:
        if self._texts:
            self._texts[-1].append(text)

    def _end(self, _tag: str) -> None:
        self.end(self.open[-1], "".join(self._texts.pop()))
        self.open.pop()


def _refuse_doctype(_name: str, _system: str | None, _public: str | None, has_inside: bool) -> None:
    """Raise ValueError for a document type declared in the file: its entities and default attributes can hide a
    flood of data."""
    if has_inside:
        raise ValueError(
            "it declares XML entities or its own document type, which could unpack to huge amounts of "
            "data; save it again without them"
        )

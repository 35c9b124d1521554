"""XML from a server as a small tree: bounded in size, depth and number, and without entities of its own.

Entities can only be declared in a document type, so that refusing one refuses floods of them and files read by
their names as well. Where a standard has documents begin with one, it may stand there, but no entity may be declared
in it, nothing that it refers to is read, and values that it gives to attributes are left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, NoReturn
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from packer.sources.offer import LIMIT_BYTES, OfferError, quoted

__all__ = ["child", "children", "number", "read_tree", "text_at", "texts_at", "whole_number"]

_DEEPEST = 64  # capabilities need some twelve
_MOST_ELEMENTS = 500_000


def read_tree(body: bytes, *roots: str, document_type: bool = False) -> Element:
    """The tree of a document whose first element has one of the local names `roots`; all names in it are local ones.

    `document_type` says whether it may have one. Raises OfferError, worded for the planner, for anything else.
    """
    if len(body) > LIMIT_BYTES:
        raise OfferError(f"it is over {LIMIT_BYTES // 1_000_000} MB, so it is not a description of layers")
    reader = _TreeReader(roots, document_type)
    try:
        reader.parser.Parse(body, True)
    except expat.ExpatError as fault:
        what = expat.ErrorString(fault.code)
        raise OfferError(f"it is not well-formed XML from line {fault.lineno} on ({what})") from None
    except OfferError:
        raise
    except (
        LookupError,
        ValueError,
    ):  # ValueError where an encoding has more bytes a character than expat takes
        raise OfferError("its encoding is not known") from None
    return reader.tree.close()


class _TreeReader:
    def __init__(self, roots: tuple[str, ...], document_type: bool) -> None:
        self.tree = TreeBuilder()
        self._roots, self._depth, self._count = roots, 0, 0
        # Names become "namespace local": what stands after the last space is the local name.
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self.tree.data
        if not document_type:
            self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.EntityDeclHandler = self._entity
        self.parser.specified_attributes = True
        self.parser.buffer_text = True

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = _local(tag)
        if not self._depth and name not in self._roots:
            self._refuse(f"expected root element {' or '.join(self._roots)}, found {quoted(name)}")
        self._depth += 1
        self._count += 1
        if self._depth > _DEEPEST or self._count > _MOST_ELEMENTS:
            self._refuse(f"it has over {_MOST_ELEMENTS:,} elements, or nested more than {_DEEPEST} deep")
        self.tree.start(name, {_local(key): value for key, value in attributes.items()})

    def _end(self, tag: str) -> None:
        self._depth -= 1
        self.tree.end(_local(tag))

    def _doctype(self, *_declared: Any) -> None:
        self._refuse("it has a document type, which is not needed and could unpack to huge amounts of data")

    def _entity(self, *_declared: Any) -> None:
        self._refuse("it declares entities, which are not needed and could unpack to huge amounts of data")

    def _refuse(self, why: str) -> NoReturn:
        raise OfferError(why)


def _local(name: str) -> str:
    return name.rpartition(" ")[2]


def children(element: Element, *path: str) -> Iterator[Element]:
    """The elements at the end of a path of local names, in the order of the document."""
    if not path:
        yield element
        return
    for one in element:
        if one.tag == path[0]:
            yield from children(one, *path[1:])


def child(element: Element, *path: str) -> Element | None:
    """The first of them, or None."""
    return next(children(element, *path), None)


def text_at(element: Element, *path: str) -> str | None:
    """The text of the first of them without space round it; None where there is none or it is empty."""
    found = child(element, *path)
    return ((found.text or "").strip() or None) if found is not None else None


def texts_at(element: Element, *path: str) -> tuple[str, ...]:
    """The texts of all of them without space round them, empty ones left out."""
    texts = ((one.text or "").strip() for one in children(element, *path))
    return tuple(text for text in texts if text)


def number(text: str | None) -> float:
    """A finite number as XML writes it. Raises OfferError."""
    try:
        value = float((text or "").replace("_", "?"))  # Python alone would read 1_2 as 12
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise OfferError(f"{quoted(text or '')} is where a number should be")
    return value


def whole_number(element: Element, name: str) -> int:
    """A whole number from 0 up to 2^31, the text of a child. Raises OfferError."""
    text = text_at(element, name) or ""
    if not (text.isascii() and text.isdecimal() and len(text) <= 10 and int(text) <= 1 << 31):
        raise OfferError(f"{name} is {quoted(text)}, but it should be a whole number")
    return int(text)

"""XML from a server as a small tree: bounded in size, depth and number, and without a document type.

Entities can only be declared in a document type, so that refusing one refuses floods of them and files read by
their names as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NoReturn
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from packer.sources.offer import LIMIT_BYTES, OfferError, quoted

__all__ = ["child", "children", "read_tree", "text_at"]

_DEEPEST = 64  # capabilities need some twelve
_MOST_ELEMENTS = 500_000


def read_tree(body: bytes, root: str) -> Element:
    """The tree of a document whose first element has the local name `root`; all names in it are local ones.

    Raises OfferError, worded for the planner, for anything else.
    """
    if len(body) > LIMIT_BYTES:
        raise OfferError(f"it is over {LIMIT_BYTES // 1_000_000} MB, so it is not a description of layers")
    reader = _TreeReader(root)
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
    def __init__(self, root: str) -> None:
        self.tree = TreeBuilder()
        self._root, self._depth, self._count = root, 0, 0
        # Names become "namespace local": what stands after the last space is the local name.
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self.tree.data
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.buffer_text = True

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = _local(tag)
        if not self._depth and name != self._root:
            self._refuse(f"expected root element {self._root}, found {quoted(name)}")
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

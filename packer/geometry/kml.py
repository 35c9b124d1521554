"""A look into a KML file before GDAL reads it: at what GDAL would not mind, or would never come to the end of."""

from __future__ import annotations

import re
from typing import IO
from xml.parsers import expat

from packer.geometry.gpx import plain, refuse_doctype, xml_faults_told

__all__ = ["MOST_FOLDERS", "check_kml"]

MOST_FOLDERS = 1_000  # each is a layer, for which GDAL reads the file again
_DEEPEST = 100  # elements in one another
_NO_KML = "its root element is not <kml>"
# What GDAL would take for 0, or for as much of it as is a number.
_COORDINATES = re.compile(
    r"(?:[\s,]*+[-+]?+(?:\d++\.?+\d*+|\.\d++)(?:[eE][-+]?+\d++)?+(?=[\s,]|$))*+[\s,]*+", re.ASCII
)


def check_kml(file: IO[bytes]) -> None:
    """Raise ValueError for what is no whole KML, declares entities, has a position that is none, or goes so deep or
    into so many folders that GDAL would take hours (tried with GDAL 3.12)."""
    reader = _KmlReader()
    with xml_faults_told():
        try:
            reader.parser.ParseFile(file)
        except expat.ExpatError:
            if not reader.begun:
                raise ValueError(_NO_KML) from None
            raise


class _KmlReader:
    """Follows the elements of a KML file and looks at what GDAL would not mind."""

    def __init__(self) -> None:
        self.begun = False
        self._depth = self._folders = 0
        self._text: list[str] | None = None
        self.parser = expat.ParserCreate()
        self.parser.StartDoctypeDeclHandler = refuse_doctype
        self.parser.StartElementHandler, self.parser.EndElementHandler = self._start, self._end
        self.parser.CharacterDataHandler = self._take
        self.parser.buffer_text = True

    def _start(self, tag: str, _attributes: object) -> None:
        name = tag.rpartition(":")[2]
        if not self._depth and name != "kml":
            raise ValueError(_NO_KML)
        self.begun = True
        self._depth += 1
        self._folders += name in ("Folder", "Document")
        if self._depth > _DEEPEST or self._folders > MOST_FOLDERS:
            raise ValueError(
                f"its elements are nested more than {_DEEPEST} deep, or it has over {MOST_FOLDERS:,} folders; cut "
                "it down to what the brief needs"
            )
        self._text = [] if name in ("coordinates", "coord") else None

    def _take(self, text: str) -> None:
        if self._text is not None:
            self._text.append(text)

    def _end(self, _tag: str) -> None:
        self._depth -= 1
        if self._text is not None:
            text, self._text = "".join(self._text), None
            found = _COORDINATES.match(text)
            end = found.end() if found else 0
            if end < len(text):
                raise ValueError(
                    f'line {self.parser.CurrentLineNumber}: its coordinates have "{plain(text[end:].strip())}" where '
                    "numbers with a decimal point should stand"
                )

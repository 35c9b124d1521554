"""The address under which SQLite opens a file."""

from __future__ import annotations

from pathlib import PurePath

__all__ = ["sqlite_uri"]


def sqlite_uri(path: PurePath, query: str) -> str:
    """The URI of an absolute path for SQLite, with a query such as "mode=ro".

    SQLite takes no authority but "" and localhost (its "URI Filenames", section 3.1), and `as_uri` makes one of the
    server of a network path. With two more slashes the server is a part of the path, which is how Windows opens it. A
    mapped drive resolves to such a path as well.
    """
    uri = path.as_uri()
    if not uri.startswith("file:///"):
        uri = f"file:////{uri.removeprefix('file://')}"
    return f"{uri}?{query}"

"""Keys that stand in an address in full. A brief is handed on, so they belong into an environment variable."""

from __future__ import annotations

import re
from urllib.parse import unquote, urlsplit

from packer.sources.address import variables

__all__ = ["literal_key", "refusal"]

# Names that servers give to keys, by common practice, no source.
_NAMES = re.compile(
    r"(api|access|app|auth|subscription|client|map)?[-_.]?(key|token|secret|signature|sig|password|pass|pwd|credential)s?"
    r"|app[-_]?(id|code)|client[-_]?id|auth|authorization|sas|code",
    re.IGNORECASE,
)
_LONG = re.compile(r"(?=[^0-9]*[0-9])(?=.*[A-Za-z])[A-Za-z0-9_\-]{20,}")  # letters and digits mixed, and long
_PLACEHOLDER = re.compile(r"\{[^{}]*\}")


def literal_key(address: str) -> str | None:
    """The name of the part of an address that looks like a key written in full; None if none does.

    Never gives the value. A part of the path counts if it is long and mixed, one of the query by its name as well.
    """
    try:
        parts = urlsplit(address)
    except ValueError:
        return None
    user = parts.netloc.rpartition("@")[0]
    if user and not variables(user):
        return "the part before @"
    for piece in parts.query.split("&") if parts.query else ():
        name, equals, value = piece.partition("=")
        plain = unquote(value if equals else name)
        if not plain or variables(plain) or _PLACEHOLDER.fullmatch(plain):
            continue
        if (equals and _NAMES.fullmatch(name)) or _LONG.fullmatch(plain):
            return f"the part {name}" if equals and len(name) <= 24 else "a part of its query"
    for piece in parts.path.split("/"):
        if _LONG.fullmatch(unquote(piece)):
            return "a part of its path"
    return None


def refusal(where: str) -> str:
    """What to tell somebody who wrote a key in full; `where` as `literal_key` gives it."""
    return (
        f"In this address {where} looks like a key. The brief is handed on, so no key is written into it. Set the key "
        "in the terminal before you start the desk (export MAP_KEY=...), and write ${MAP_KEY} in its place."
    )

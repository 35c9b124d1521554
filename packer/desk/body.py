"""What any body that is sent to the desk has to keep to, whatever it asks for."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from packer.errors import InputError

__all__ = ["body_fault", "typed_path"]

_DEEPEST = 16  # a change with the positions of a drawn outline in it has a depth of six
_LONGEST_TEXT = 4000  # the longest address that may be tried


def body_fault(found: Any) -> str | None:
    """What is wrong with a JSON value, in a sentence: too deep for what walks through it, a text that is too long to be
    repeated in an error, or half a surrogate pair (RFC 8259, section 8.2), which no file can hold. None if nothing is.
    """
    level = [found]
    for _ in range(_DEEPEST):
        texts = [one for one in level if isinstance(one, str)]
        inner: list[Any] = []
        for one in level:
            if isinstance(one, dict):
                texts += one
                inner += one.values()
            elif isinstance(one, list):
                inner += one
        if any(len(text) > _LONGEST_TEXT for text in texts):
            return f"A text in the body has over {_LONGEST_TEXT:,} characters."
        if not all(map(_is_whole, texts)):
            return "A text in the body is not Unicode."
        if not inner:
            return None
        level = inner
    return "The body is nested too deeply."


def _is_whole(text: str) -> bool:
    return text.isascii() or not any("\ud800" <= c <= "\udfff" for c in text)


def typed_path(body: Mapping[str, Any], key: str, otherwise: str) -> Path:
    """The file or folder that somebody typed under a key, as an absolute path; "~" is the home folder.

    Raises InputError with the sentence `otherwise` where there is none, or it can be the name of nothing.
    """
    text = body.get(key)
    try:
        if not isinstance(text, str) or not text.strip() or b"\0" in os.fsencode(text):
            raise InputError(otherwise)
        return Path(text.strip()).expanduser().absolute()
    except (UnicodeEncodeError, RuntimeError):  # RuntimeError: there is no such user's home
        raise InputError(otherwise) from None

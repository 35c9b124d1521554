"""What a service says of its own error, in the documents that the OGC standards have for that, and in RFC 9457's."""

from __future__ import annotations

import contextlib
import json
import re
import unicodedata

from packer.sources.offer import OfferError
from packer.sources.xml_tree import children, read_tree

__all__ = ["service_words"]

_LARGEST_BYTES = 64_000
_LONGEST = 160
_MARKUP = re.compile(
    rb"<(!DOCTYPE\s+ServiceExceptionReport|([A-Za-z]+:)?(ServiceExceptionReport|ExceptionReport))\b"
)
_NUMBERS = re.compile(r"[-+]?[0-9][0-9.,e+-]{3,}")
_LEAST_WORDS = "an error without words"


def service_words(body: bytes) -> str | None:
    """The sentence of an error document, short, on one line and without long numbers, so that those of many tiles are
    one; None where the body is no error document. It may repeat a key: whoever shows it has it scrubbed before.

    Read are ServiceExceptionReport (01-068r3, annex A.3; 06-042, annex E.2), ExceptionReport (06-121r3, clause 8) and
    "problem details" (RFC 9457), up to 64 kB.
    """
    if len(body) > _LARGEST_BYTES:
        return None
    start = body[:2000].lstrip(b"\xef\xbb\xbf \t\r\n")
    if start.startswith(b"<"):
        return _of_xml(body) if _MARKUP.search(start) else None
    return _of_json(body) if start.startswith(b"{") else None


def _of_xml(body: bytes) -> str | None:
    try:
        root = read_tree(body.strip(), "ServiceExceptionReport", "ExceptionReport", document_type=True)
    except OfferError:
        return None
    for one in (*children(root, "ServiceException"), *children(root, "Exception")):
        texts = [one.text or "", *(text.text or "" for text in children(one, "ExceptionText"))]
        code = one.get("code") or one.get("exceptionCode") or ""
        words = " ".join(filter(str.strip, texts)) or code
        if words.strip():
            return _short(words)
    return _LEAST_WORDS


def _of_json(body: bytes) -> str | None:
    with contextlib.suppress(ValueError, RecursionError):
        told = json.loads(body)
        texts = [told.get(key) for key in ("title", "detail", "description")]
        words = ": ".join(text for text in texts if isinstance(text, str) and text.strip())
        if words:
            return _short(words)
    return None


def _short(words: str) -> str:
    plain = "".join(" " if unicodedata.category(c) in ("Cc", "Cs", "Cf", "Zl", "Zp") else c for c in words)
    plain = _NUMBERS.sub("…", re.sub(r"\s+", " ", plain)).strip().rstrip(".")
    return plain if len(plain) <= _LONGEST else plain[: _LONGEST - 1].rstrip() + "…"

"""JSON from a server: an object of bounded size, or a sentence about what else came."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NoReturn

from packer.sources.offer import LIMIT_BYTES, OfferError

__all__ = ["read_object"]


def read_object(body: bytes, what: str) -> Mapping[str, Any]:
    """The object that a document is. `what` ends a sentence about a page or XML: "a TileJSON".

    Raises OfferError, worded for the planner, for anything else.
    """
    if len(body) > LIMIT_BYTES:
        raise OfferError(f"it is over {LIMIT_BYTES // 1_000_000} MB, so it is not the description of a layer")
    if body.lstrip()[:1] == b"<":
        raise OfferError(f"it is a page or XML, not the JSON of {what}")
    try:
        told = json.loads(body.decode("utf-8-sig"), parse_constant=_no_number)
    except UnicodeDecodeError:
        raise OfferError("it is not UTF-8 text") from None
    except RecursionError:
        raise OfferError("its brackets are nested too deeply") from None
    except json.JSONDecodeError as fault:
        raise OfferError(f"it is not valid JSON from line {fault.lineno} on") from None
    except OfferError:
        raise
    except ValueError:  # Python's own limit on the digits of a whole number
        raise OfferError("it has a number with thousands of digits") from None
    if not isinstance(told, dict):
        raise OfferError("it is JSON, but not an object")
    return told


def _no_number(text: str) -> NoReturn:
    raise OfferError(f"it has {text}, which JSON does not allow")

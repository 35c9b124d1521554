"""Media types in which services offer tiles and pictures, as kinds of tile."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["kind_of", "preferred", "without_parameters"]

_KINDS = {
    "image/png": "png",
    "image/png8": "png",
    "image/jpeg": "jpg",
    "image/jpg": "jpg",
    "image/webp": "webp",
    "application/vnd.mapbox-vector-tile": "pbf",
    "application/x-protobuf": "pbf",
}


def kind_of(media_type: str) -> str | None:
    """ "png", "jpg", "webp" or "pbf" for a media type, parameters left out; None for any other."""
    return _KINDS.get(without_parameters(media_type))


def without_parameters(media_type: str) -> str:
    """The type itself in small letters (RFC 9110, section 8.3.1)."""
    return media_type.partition(";")[0].strip().lower()


def preferred(offered: Iterable[str], kind: str | None) -> str | None:
    """The first media type of a kind, or of any known kind; None where there is none."""
    known = ((one, kind_of(one)) for one in offered)
    return next((one for one, found in known if found is not None and kind in (None, found)), None)

"""The labels that a pack carries already, for work that has no brief at hand."""

from __future__ import annotations

import math
from pathlib import Path

from packer.geometry.grid import MAX_ZOOM, LonLatBox
from packer.store.schema import reading
from packer.store.writer import Labels
from packer.version import __version__

__all__ = ["labels_of"]


def labels_of(path: Path) -> Labels:
    """What a pack records about itself. Raises StoreError if it is not a pack of ours."""
    with reading(path) as db:
        said = {str(name): str(value) for name, value in db.execute("SELECT name, value FROM metadata")}
        source = db.execute("SELECT fingerprint, host FROM source ORDER BY first_used LIMIT 1").fetchone()
    bounds, center = _numbers(said.get("bounds"), 4), _numbers(said.get("center"), 3)
    return Labels(
        layer=said.get("name", path.stem),
        kind=said.get("format", "png"),
        title=said.get("description", path.stem).removesuffix(". For viewing, not for positioning."),
        attribution=said.get("attribution", ""),
        permission=said.get("permission", ""),
        host=str(source[1]) if source else "",
        fingerprint=str(source[0]) if source else "",
        bounds=LonLatBox(*bounds)
        if bounds and max(map(abs, bounds)) <= 180
        else LonLatBox(-180.0, -85.0, 180.0, 85.0),
        middle=(center[0], center[1]) if center else (0.0, 0.0),
        center_zoom=int(min(max(center[2], 0), MAX_ZOOM)) if center else 0,
        plan="",
        rule="merged",
        version=__version__,
    )


def _numbers(text: str | None, count: int) -> list[float] | None:
    try:
        found = [float(part) for part in (text or "").split(",")]
    except ValueError:
        return None
    return found if len(found) == count and all(map(math.isfinite, found)) else None

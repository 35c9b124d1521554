"""What the page shows of a brief as it is written: its areas and its layers, without any key. Pure."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from packer.desk.document import Snapshot
from packer.planning.brief import Area, Layer
from packer.planning.collection import FROM
from packer.planning.layer_names import ADDRESS_KEYS
from packer.sources.safe_address import shown

__all__ = ["area_facts", "layer_facts", "read_table"]


@lru_cache(2)
def read_table(text: str) -> Mapping[str, Any]:
    """The brief's text as plain values, which nobody may change. Raises ValueError for what is no TOML."""
    return tomllib.loads(text)


def area_facts(now: Snapshot, table: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The areas as the brief has them, each with its form, its depth and how far it reaches."""
    known = {area.name: area for area in now.brief.areas} if now.brief else {}
    return [
        {"name": one.get("name"), "form": _form(one), "values": one, **_depth(known.get(one.get("name", "")))}
        for one in table.get("areas", [])
    ]


def _form(values: Mapping[str, Any]) -> str:
    for key, form in (("line", "line"), ("polygon", "polygon"), ("box", "box")):
        if key in values:
            return form
    return "circle"


def _depth(area: Area | None) -> dict[str, Any]:
    if area is None:
        return {}
    return {"deepest": area.deepest_zoom, "file": area.file, "reach_m": area.half_width or area.radius}


def layer_facts(now: Snapshot, table: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The layers without any key: addresses as they may be shown, names of headers without their values."""
    told = []
    for name, values in table.get("layers", {}).items():
        layer = now.brief.layers.get(name) if now.brief else None
        if layer and FROM in values:
            values = {**values, **_of_collection(layer)}
        kind = next((key for key in (*ADDRESS_KEYS, "pictures") if key in values), "url")
        address = "" if kind == "pictures" else values.get(kind, "")
        told.append(
            {
                "name": name,
                "address": shown(address),
                "kind": kind,
                "zooms": list(layer.zooms) if layer and layer.has_address else values.get("zooms"),
                "headers": sorted(values.get("headers", {})),
                **{
                    key: values.get(key)
                    for key in ("attribution", "permission", "connections", "requests-per-second")
                },
                "over": layer.over if layer else values.get("over"),
                "expires": str(values["expires"]) if "expires" in values else None,
            }
        )
    return told


def _of_collection(layer: Layer) -> dict[str, Any]:
    """What the page shows of a layer whose keys stand in the planner's collection."""
    written = layer.as_written
    if written.pictures:
        return {"pictures": True, "attribution": written.attribution, "permission": written.permission}
    return {
        written.address_key: written.url or written.offered_at,
        "attribution": written.attribution,
        "permission": written.permission,
        "connections": written.connections,
        "requests-per-second": written.requests_per_second,
    }

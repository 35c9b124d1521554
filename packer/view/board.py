"""What is on board for one brief: its layers, each with its pack, as the view's documents tell it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any

from packer.geometry.grid import MAX_LATITUDE, metres_per_pixel
from packer.planning.brief import Brief
from packer.planning.changes import changes_since_fetch
from packer.planning.pack_path import pack_path
from packer.planning.plan import LayerPlan, Plan
from packer.proof.depth_words import depth_text
from packer.proof.depths import Holdings, layer_depths
from packer.store.reader import PackFacts, TileReader, tile_at
from packer.view.attribution import harmless
from packer.view.outlines import area_features, coverage_features, outline_feature, route_features
from packer.view.positions import decimal_text, mgrs_text

__all__ = ["Board", "BoardLayer"]


class BoardLayer:
    """One layer of the brief and its pack."""

    def __init__(self, asked: LayerPlan, stated: str, pack: TileReader) -> None:
        self.name, self.planned, self._asked = asked.name, asked.tiles, asked
        self.pack, self._stated = pack, stated
        self._counted: tuple[PackFacts, dict[str, int]] | None = None

    @property
    def attribution(self) -> str:
        """Harmless HTML: what the pack says, since that is what the crew gets; else what the brief says."""
        return harmless(self.pack.facts().attribution or self._stated)

    def counts(self) -> dict[str, int]:
        """Planned tiles, and what of them is on board, absent at the server and missing, as the pack records it."""
        facts, known = self.pack.facts(), self._counted
        if known is None or known[0] is not facts:
            self._counted = known = facts, self._count(facts)
        return dict(known[1])

    def _count(self, facts: PackFacts) -> dict[str, int]:
        on_board = self.planned & facts.held
        none = (self.planned & facts.absent) - on_board
        return {
            "planned": len(self.planned),
            "on_board": len(on_board),
            "absent": len(none),
            "missing": len(self.planned) - len(on_board) - len(none),
        }

    def summary(self) -> dict[str, Any]:
        """Counts by zoom and in all, and the depth of each area, for the page."""
        facts = self.pack.facts()
        return {
            "name": self.name,
            "over": self._asked.over,
            "format": facts.kind,
            "attribution": self.attribution,
            **self.counts(),
            "planned_zooms": list(self.planned.zooms),
            "held_zooms": list(facts.held.zooms),
            "depths": [
                {**depth.to_dict(), "text": depth_text(depth)}
                for depth in layer_depths(
                    self._asked, Holdings.recorded(self.planned, facts.held, facts.absent, facts.partial)
                )
            ],
        }

    def depth(self, lon: float, lat: float) -> dict[str, Any]:
        """What is on board and what is planned under a position in degrees."""
        zooms = self.pack.zooms_at(lon, lat)
        deepest = max(zooms, default=None)
        return {
            "layer": self.name,
            "deepest": deepest,
            "zooms": list(zooms),
            "planned": [z for z in self.planned.zooms if tile_at(lon, lat, z) in self.planned],
            "ground_m_a_pixel": None
            if deepest is None
            else round(metres_per_pixel(deepest, lat, self._asked.tile_px), 3),
            "text": decimal_text(lon, lat),
            "mgrs": mgrs_text(lon, lat),
        }


class Board:
    """All layers that the plan uses, with the shapes over them. What it tells has no key and no address of a server.

    `reader` gives the reader of a pack, so that boards which follow one another can share it.
    """

    def __init__(
        self,
        brief: Brief,
        plan: Plan,
        store: Path | None = None,
        reader: Callable[[Path, frozenset[bytes]], TileReader] = TileReader,
    ) -> None:
        self.title, self.plan = brief.title, plan
        self._brief, self._store = brief, store
        self.layers: Mapping[str, BoardLayer] = MappingProxyType(
            {
                name: BoardLayer(
                    asked,
                    brief.layers[name].attribution,
                    reader(pack_path(brief, name, store), brief.layers[name].blank_hashes),
                )
                for name, asked in plan.layers.items()
                if asked.tiles
            }
        )

    @cached_property
    def routes(self) -> dict[str, Any]:
        """Lines and waypoints, as GeoJSON."""
        return route_features(self.plan)

    @cached_property
    def areas(self) -> dict[str, Any]:
        """Polygons, boxes and circles, as GeoJSON."""
        return area_features(self.plan)

    def document(self) -> dict[str, Any]:
        """Everything that the page needs before the first tile."""
        west, south, east, north = self.plan.bounds
        changed = changes_since_fetch(self._brief, self.plan, self._store)
        return {
            "title": self.title,
            "bounds": [west, south, east + 360 if west > east else east, north],
            "middle": list(self.plan.middle),
            "layers": [layer.summary() for layer in self.layers.values()],
            "changed_since_fetch": list(changed.sentences) if changed else [],
        }

    def coverage(self, layer: BoardLayer) -> dict[str, Any]:
        """The outlines of one layer."""
        facts = layer.pack.facts()
        return coverage_features(layer.planned, facts.held, facts.absent, self.plan.middle[0])

    def outline(self, area: str, layer: str, zoom: int) -> dict[str, Any] | None:
        """The outline of what an area asks of a layer at one zoom; None where that is nothing."""
        asked = self.plan.layers.get(layer)
        found = next((a.tiles.at(zoom) for a in asked.areas if a.name == area), None) if asked else None
        return outline_feature("planned", found, zoom, self.plan.middle[0]) if found else None

    def tilejson(self, layer: BoardLayer, tiles_url: str) -> dict[str, Any]:
        """TileJSON 3.0.0 of one layer, whose tiles are at `tiles_url`.

        Zooms are those on board, or those planned while nothing is. `bounds` may not cross the antimeridian
        (TileJSON 3.0.0, 3.4), so a plan that does has the whole belt.
        """
        facts = layer.pack.facts()
        zooms = (facts.held or layer.planned).zooms
        west, south, east, north = self.plan.bounds
        if west > east:
            west, east = -180.0, 180.0
        low, high = max(south, -MAX_LATITUDE), min(north, MAX_LATITUDE)
        lon, lat = self.plan.middle
        found: dict[str, Any] = {
            "tilejson": "3.0.0",
            "tiles": [tiles_url],
            "name": layer.name,
            "description": f"{self.title}. For viewing, not for positioning.",
            "attribution": layer.attribution,
            "scheme": "xyz",
            "bounds": [round(v, 6) for v in (max(west, -180.0), low, min(east, 180.0), high)],
            "center": [round(lon, 6), round(lat, 6), zooms[-1]],
            "minzoom": zooms[0],
            "maxzoom": zooms[-1],
        }
        if facts.kind == "pbf":
            found["vector_layers"] = list(facts.vector_layers)
        return found

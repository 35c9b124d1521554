"""Changes to a brief, as values: made to its model to see what they would do, or to its text for good.

The text keeps its comments and layout. Both ways have to come to the same brief, or nothing is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.items import InlineTable, Item, SingleKey, Table

from packer.common.atomic_write import write_atomic
from packer.errors import BriefError, DiskError
from packer.planning.brief import OVERVIEW, Area, Brief, Overview

__all__ = [
    "Deepest",
    "DeepestByLayer",
    "Depths",
    "Edit",
    "HalfWidth",
    "Layers",
    "OverviewTo",
    "edited",
    "limits",
    "lowered",
    "rewrite",
    "rewritten",
]


_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")  # what TOML takes for a key without quotes


@dataclass(frozen=True, slots=True)
class Deepest:
    """An area's deepest zoom for all layers that it uses, in place of what it has."""

    area: str
    zoom: int

    def __str__(self) -> str:
        return f"deepest = {self.zoom}"


@dataclass(frozen=True, slots=True)
class HalfWidth:
    """A corridor's reach to either side."""

    area: str
    metres: float

    def __str__(self) -> str:
        return f'half-width = "{_length(self.metres)}"'


@dataclass(frozen=True, slots=True)
class Layers:
    """The only layers that an area uses from now on."""

    area: str
    layers: tuple[str, ...]

    def __str__(self) -> str:
        return f"layers = [{', '.join(map(tomlkit_string, self.layers))}]"


@dataclass(frozen=True, slots=True)
class DeepestByLayer:
    """An area's deepest zoom for each layer that it uses, in place of what it has."""

    area: str
    zooms: tuple[tuple[str, int], ...]

    def __str__(self) -> str:
        listed = ", ".join(f"{_key(layer)} = {zoom}" for layer, zoom in self.zooms)
        return f"deepest = {{ {listed} }}"


@dataclass(frozen=True, slots=True)
class OverviewTo:
    """The deepest zoom of the coarse block round everything."""

    zoom: int
    area: str = OVERVIEW

    def __str__(self) -> str:
        return f"deepest = {self.zoom}"


Depths = Deepest | DeepestByLayer
Edit = Depths | HalfWidth | Layers | OverviewTo


def tomlkit_string(text: str) -> str:
    """Text in quotes, as TOML writes it."""
    return tomlkit.item(text).as_string()


def _key(layer: str) -> str:
    return layer if _BARE_KEY.fullmatch(layer) else tomlkit_string(layer)


def limits(brief: Brief, worth_to: Mapping[str, Mapping[str, int]]) -> list[Edit]:
    """The edits that bring areas to the depth that is worth it; `worth_to` is by layer, then by area.

    What an area does not get deeper anyway, or has no finding for, stays; nothing goes above its at-least, and an area
    that says `keep` stays as it is.
    """
    edits: list[Edit] = []
    for area in (area for area in brief.areas if not area.keep):
        names = [name for name in brief.layers if area.uses(name)]
        ends = {name: _end(brief, area, name) for name in names}
        worth = {name: worth_to.get(name, {}).get(area.name, ends[name]) for name in names}
        depths = {n: min(ends[n], max(worth[n], area.least_for(n) or 0)) for n in names}
        if depths != ends:
            if isinstance(
                area.deepest, dict
            ):  # what a server ends sooner keeps the zoom that was asked of it
                depths = {n: depths[n] if depths[n] < ends[n] else area.deepest[n] for n in names}
            edits.append(_depths_edit(area, depths, ends))
    return edits


def _depths_edit(area: Area, asked: Mapping[str, int], ends: Mapping[str, int]) -> Depths:
    """The shorter form, one zoom for all, where it comes to the same for layers that end at these zooms."""
    one = max(min(zoom, ends[name]) for name, zoom in asked.items())
    alike = all(min(one, ends[name]) == min(zoom, ends[name]) for name, zoom in asked.items())
    if alike and not isinstance(area.deepest, dict):
        return Deepest(area.name, one)
    return DeepestByLayer(area.name, tuple(asked.items()))


def lowered(brief: Brief, area: Area, zoom: int) -> Depths:
    """The edit after which no layer of an area goes deeper than a zoom; others stay as they are."""
    if not isinstance(area.deepest, dict):
        return Deepest(area.name, zoom)
    return DeepestByLayer(
        area.name, tuple((n, min(area.deepest[n], zoom)) for n in brief.layers if n in area.deepest)
    )


def _end(brief: Brief, area: Area, layer: str) -> int:
    return min(area.deepest_for(layer), brief.layers[layer].zooms[1])


def edited(brief: Brief, edits: Iterable[Edit]) -> Brief:
    """The brief with edits made in order; the file is left as it is. Areas that are not there are passed over."""
    for edit in edits:
        areas = [_edited_area(area, edit) if area.name == edit.area else area for area in brief.areas]
        update: dict[str, Any] = {"areas": tuple(areas)}
        if isinstance(edit, OverviewTo) and isinstance(brief.overview, Overview):
            update["overview"] = brief.overview.model_copy(update={"deepest": edit.zoom})
        brief = brief.model_copy(update=update)
    return brief


def _edited_area(area: Area, edit: Edit) -> Area:
    match edit:
        case OverviewTo():
            return area
        case Deepest():
            return area.model_copy(update={"deepest": edit.zoom, "use": None})
        case DeepestByLayer():
            return area.model_copy(update={"deepest": dict(edit.zooms), "use": None})
        case HalfWidth():
            return area.model_copy(update={"half_width": edit.metres})
        case Layers():
            deepest, least = _kept(area.deepest, edit.layers), _kept(area.at_least, edit.layers)
            return area.model_copy(update={"layers": edit.layers, "deepest": deepest, "at_least": least})


def _kept(depths: int | dict[str, int] | None, layers: Iterable[str]) -> int | dict[str, int] | None:
    """Depths by layer without those of layers that are not used any more."""
    if not isinstance(depths, dict):
        return depths
    return {name: zoom for name, zoom in depths.items() if name in layers} or None


def rewritten(brief: Brief, edits: Iterable[Edit], text: str) -> str:
    """The text of the brief with edits made in order.

    Raises BriefError if the result does not read back as the very brief that the edits mean.
    """
    edits = list(edits)
    document = tomlkit.parse(text)
    for edit in edits:
        if isinstance(edit, OverviewTo):
            _set_overview(document, edit.zoom)
            continue
        areas = document["areas"]
        assert isinstance(areas, list)
        place = next(i for i, area in enumerate(areas) if area["name"] == edit.area)
        _edit_text(areas[place], edit)
    result = tomlkit.dumps(document)
    if Brief.from_text(result.replace("\r\n", "\n"), brief.path) != edited(brief.as_written, edits):
        raise BriefError(
            f"{brief.path} is laid out in a way that cannot be changed safely, so it was not changed. Make the "
            "changes shown by hand."
        )
    return result


def rewrite(brief: Brief, edits: Iterable[Edit]) -> Brief:
    """Make edits to the file that the brief was read from, and give back the brief as it reads now.

    Raises BriefError where the file has changed since or cannot be changed safely, DiskError where it cannot
    be written. If the process dies: the old text or the new one, whole.
    """
    try:
        data = brief.path.read_bytes()
        mark = b"\xef\xbb\xbf" if data.startswith(b"\xef\xbb\xbf") else b""
        text = data[len(mark) :].decode("utf-8")
        if Brief.from_text(text.replace("\r\n", "\n"), brief.path) != brief.as_written:
            raise BriefError(
                f"{brief.path} has changed since it was read, so it was left alone. Run the command again."
            )
        write_atomic(brief.path, mark + rewritten(brief, edits, text).encode("utf-8"))
    except OSError as fault:
        raise DiskError(f"{brief.path} cannot be written: {fault.strerror}. It was not changed.") from fault
    return edited(brief, edits)  # as the file reads now, and with what servers offer still filled in


def _set_overview(document: tomlkit.TOMLDocument, zoom: int) -> None:
    if "overview" not in document:
        document.add(tomlkit.nl())
        document["overview"] = tomlkit.table()
    table = document["overview"]
    assert isinstance(table, Table | InlineTable)
    table["deepest"] = zoom


def _edit_text(area: Any, edit: Depths | HalfWidth | Layers) -> None:
    match edit:
        case Deepest():
            _set_depth(area, tomlkit.item(edit.zoom))
        case DeepestByLayer():
            # Parsed, since tomlkit's own inline tables have no blanks inside their braces.
            _set_depth(area, tomlkit.value(str(edit).removeprefix("deepest = ")))
        case HalfWidth():
            area["half-width"] = _length(edit.metres)
        case Layers():
            _set_layers(area, edit.layers)
            for key in ("deepest", "at-least"):
                _drop_layers(area, key, edit.layers)


def _drop_layers(area: Table | InlineTable, key: str, layers: Iterable[str]) -> None:
    depths = area.get(key)
    if isinstance(depths, Table | InlineTable):
        for name in [name for name in depths if name not in layers]:
            del depths[name]
        if not depths:
            del area[key]


def _set_depth(area: Table | InlineTable, value: Item) -> None:
    if "use" not in area:
        area["deepest"] = value
        return
    body = area.value.body
    place = next(i for i, (key, _) in enumerate(body) if key is not None and key.key == "use")
    body[place] = (SingleKey("deepest", sep=" = "), _in_place_of(body[place][1], value))


def _set_layers(area: Table | InlineTable, layers: Iterable[str]) -> None:
    if "layers" in area or isinstance(area, InlineTable):
        area["layers"] = list(layers)
    else:  # right below the last key, before comments that speak of the next heading
        body = area.value.body
        place = max(i for i, (key, _) in enumerate(body) if key is not None) + 1
        item = tomlkit.item(list(layers))
        item.trivia.trail = "\n"
        body.insert(place, (SingleKey("layers", sep=" = "), item))


def _in_place_of(old: Item, item: Item) -> Item:
    item.trivia.indent, item.trivia.trail = old.trivia.indent, old.trivia.trail
    item.trivia.comment_ws, item.trivia.comment = old.trivia.comment_ws, old.trivia.comment
    return item


def _length(length_m: float) -> str:
    return f"{length_m / 1000:g} km" if length_m >= 1000 else f"{length_m:g} m"

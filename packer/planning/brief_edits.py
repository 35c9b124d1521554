"""Changes to a brief, as values: made to its model to see what they would do, or to its text for good.

The text keeps its comments and layout. Both ways have to come to the same brief, or nothing is written.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.items import AoT, InlineTable, Item, SingleKey, Table

from packer.common.atomic_write import write_atomic
from packer.errors import BriefError, DiskError
from packer.planning.brief import OVERVIEW, Area, Brief, Overview

__all__ = [
    "Deepest",
    "Edit",
    "HalfWidth",
    "Layers",
    "OverviewTo",
    "Split",
    "edited",
    "limits",
    "rewrite",
    "rewritten",
]


@dataclass(frozen=True, slots=True)
class Deepest:
    """An area's deepest zoom, in place of the one it has or of its use."""

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
class Split:
    """A twin of an area, with a name of its own, takes over some of its layers to another depth."""

    area: str
    layers: tuple[str, ...]
    zoom: int

    def __str__(self) -> str:
        return f"for {', '.join(self.layers)} only, as a separate area, deepest = {self.zoom}"

    @property
    def twin(self) -> str:
        """The twin's name, such as "course (aerial to 15)"."""
        return f"{self.area} ({', '.join(self.layers)} to {self.zoom})"


@dataclass(frozen=True, slots=True)
class OverviewTo:
    """The deepest zoom of the coarse block round everything."""

    zoom: int
    area: str = OVERVIEW

    def __str__(self) -> str:
        return f"deepest = {self.zoom}"


Edit = Deepest | HalfWidth | Layers | OverviewTo | Split


def tomlkit_string(text: str) -> str:
    """Text in quotes, as TOML writes it."""
    return tomlkit.item(text).as_string()


def limits(brief: Brief, worth_to: Mapping[str, Mapping[str, int]]) -> list[Edit]:
    """The edits that bring areas to the depth that is worth it; `worth_to` is by layer, then by area.

    An area whose layers go to different depths gets a twin for those that end sooner. What an area does not
    get deeper anyway, or has no finding for, stays.
    """
    edits: list[Edit] = []
    for area in brief.areas:
        names = area.layers or tuple(brief.layers)
        ends = {name: _end(brief, area, name) for name in names}
        depths = {name: min(ends[name], worth_to.get(name, {}).get(area.name, ends[name])) for name in names}
        if not any(depths[name] < ends[name] for name in names):
            continue
        deepest = max(depths.values())
        # A layer that the server ends sooner needs no twin: its own zooms see to that.
        short = {d for name, d in depths.items() if d < min(deepest, ends[name])}
        edits += [Split(area.name, tuple(n for n in names if depths[n] == d), d) for d in sorted(short)]
        if deepest < area.deepest_zoom and deepest < max(ends.values()):
            edits.append(Deepest(area.name, deepest))
    return edits


def _end(brief: Brief, area: Area, layer: str) -> int:
    return min(area.deepest_zoom, brief.layers[layer].zooms[1])


def edited(brief: Brief, edits: Iterable[Edit]) -> Brief:
    """The brief with edits made in order; the file is left as it is. Areas that are not there are passed over."""
    for edit in edits:
        areas: list[Area] = []
        for area in brief.areas:
            areas += _edited_area(brief, area, edit) if area.name == edit.area else [area]
        update: dict[str, Any] = {"areas": tuple(areas)}
        if isinstance(edit, OverviewTo) and isinstance(brief.overview, Overview):
            update["overview"] = brief.overview.model_copy(update={"deepest": edit.zoom})
        if isinstance(edit, Split):
            update["crews"] = tuple(
                crew.model_copy(update={"areas": _with_twin(crew.areas, edit)})
                if crew.areas and edit.area in crew.areas
                else crew
                for crew in brief.crews
            )
        brief = brief.model_copy(update=update)
    return brief


def _edited_area(brief: Brief, area: Area, edit: Edit) -> list[Area]:
    match edit:
        case OverviewTo():
            return [area]
        case Deepest():
            return [area.model_copy(update={"deepest": edit.zoom, "use": None})]
        case HalfWidth():
            return [area.model_copy(update={"half_width": edit.metres})]
        case Layers():
            return [area.model_copy(update={"layers": edit.layers})]
        case Split():
            rest = tuple(n for n in area.layers or tuple(brief.layers) if n not in edit.layers)
            twin = {"name": edit.twin, "layers": edit.layers, "deepest": edit.zoom, "use": None}
            return [area.model_copy(update={"layers": rest}), area.model_copy(update=twin)]


def _with_twin(areas: Iterable[str], edit: Split) -> tuple[str, ...]:
    return tuple(n for name in areas for n in ((name, edit.twin) if name == edit.area else (name,)))


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
        _edit_text(document, areas, place, edit, brief)
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


def _edit_text(
    document: tomlkit.TOMLDocument,
    areas: Any,
    place: int,
    edit: Deepest | HalfWidth | Layers | Split,
    brief: Brief,
) -> None:
    area = areas[place]
    match edit:
        case Deepest():
            _set_depth(area, edit.zoom)
        case HalfWidth():
            area["half-width"] = _length(edit.metres)
        case Layers():
            _set_layers(area, edit.layers)
        case Split():
            names = [str(n) for n in area.get("layers", ())] or list(brief.layers)
            twin = _twin(areas, place)
            twin["name"] = edit.twin
            _set_layers(twin, edit.layers)
            _set_depth(twin, edit.zoom)
            _set_layers(area, [n for n in names if n not in edit.layers])
            for crew in document.get("crews", ()):
                if edit.area in crew.get("areas", ()):
                    crew["areas"].insert(list(crew["areas"]).index(edit.area) + 1, edit.twin)


def _twin(areas: Any, place: int) -> Any:
    """A copy of an area, put in right after it. Comments at the area's end speak of what follows it, and so
    they go to the end of the copy."""
    twin = copy.deepcopy(areas[place])
    areas.insert(place + 1, twin)
    twin = areas[place + 1]
    if isinstance(areas, AoT):
        own = areas[place].value.body
        end = len(own)
        while end and own[end - 1][0] is None:
            end -= 1
        del own[end:]
        own.append((None, tomlkit.ws("\n")))
    return twin


def _set_depth(area: Table | InlineTable, zoom: int) -> None:
    if "use" not in area:
        area["deepest"] = zoom
        return
    body = area.value.body
    place = next(i for i, (key, _) in enumerate(body) if key is not None and key.key == "use")
    body[place] = (SingleKey("deepest", sep=" = "), _in_place_of(body[place][1], zoom))


def _set_layers(area: Table | InlineTable, layers: Iterable[str]) -> None:
    if "layers" in area or isinstance(area, InlineTable):
        area["layers"] = list(layers)
    else:  # right below the last key, before comments that speak of the next heading
        body = area.value.body
        place = max(i for i, (key, _) in enumerate(body) if key is not None) + 1
        item = tomlkit.item(list(layers))
        item.trivia.trail = "\n"
        body.insert(place, (SingleKey("layers", sep=" = "), item))


def _in_place_of(old: Item, value: int) -> Item:
    item = tomlkit.item(value)
    item.trivia.indent, item.trivia.trail = old.trivia.indent, old.trivia.trail
    item.trivia.comment_ws, item.trivia.comment = old.trivia.comment_ws, old.trivia.comment
    return item


def _length(length_m: float) -> str:
    return f"{length_m / 1000:g} km" if length_m >= 1000 else f"{length_m:g} m"

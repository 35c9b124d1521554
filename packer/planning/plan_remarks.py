"""What a plan says of a brief beside its tiles: files, layers and areas that do not go together as written."""

from __future__ import annotations

import contextlib
import filecmp
from collections.abc import Iterable, Mapping

from packer.common.units import counted
from packer.geometry.shapes import Shape, shape_digest
from packer.planning.brief import OVERVIEW, Area, Brief, Layer
from packer.planning.brief_errors import quote_value
from packer.planning.shape_files import AreaSource

__all__ = ["crew_remarks", "depth_remarks", "namesake_remarks", "outside_remarks", "shape_remarks"]

_MOST_NAMED = 5  # areas in one remark


def shape_remarks(brief: Brief, shapes: Mapping[str, Shape], sources: Mapping[str, AreaSource]) -> list[str]:
    """What to know of the shapes of areas and of the files that they are taken from."""
    return [*namesake_remarks(brief), *_double_remarks(brief, shapes), *_file_remarks(brief, sources)]


def _file_remarks(brief: Brief, sources: Mapping[str, AreaSource]) -> list[str]:
    """What areas leave out of their files, and no other area takes: a sentence for each kind."""
    remarks = []
    for name, source in sources.items():
        # Of a course the page makes two areas, one along its line and one round its points: nothing is left out then.
        taken = {
            kind
            for area in brief.areas
            if area.file == source.file and area.feature is None
            for kind, key in (("point", area.points), ("line", area.line), ("polygon", area.polygon))
            if key is not None
        }
        told = filter(None, [*source.remarks, source.left_out_text(taken)])
        remarks += [f"Area {quote_value(name)}, {source.file}: {remark}." for remark in told]
    return remarks


def namesake_remarks(brief: Brief) -> list[str]:
    """A sentence for each file beside the brief that has the name of one that an area takes from elsewhere, and other
    contents: most likely a newer course, put where nobody looks for it."""
    remarks = []
    for name in dict.fromkeys(area.file for area in brief.areas if area.file):
        used = brief.folder / name
        beside = brief.folder / used.name
        with contextlib.suppress(OSError):
            if beside.is_file() and not (beside.samefile(used) or filecmp.cmp(beside, used, shallow=False)):
                areas = [area.name for area in brief.areas if area.file == name]
                takes = f"{_named(areas)} {'takes' if len(areas) == 1 else 'take'}"
                remarks.append(
                    f"{takes[0].upper()}{takes[1:]} {name}, and not {used.name} beside the brief, which is another "
                    f"file. If that one is newer, overwrite {name} with it, or name it in the brief."
                )
    return remarks


def _double_remarks(brief: Brief, shapes: Mapping[str, Shape]) -> list[str]:
    """A sentence for each shape that stands in several areas, of which one could be forgotten in a change."""
    alike: dict[str, list[Area]] = {}
    for area in brief.areas:
        alike.setdefault(shape_digest(shapes[area.name]), []).append(area)
    remarks = []
    for areas in (areas for areas in alike.values() if len(areas) > 1):
        zooms = {
            name: max(area.deepest_for(name) for area in areas if area.uses(name))
            for name in brief.layers
            if any(area.uses(name) for area in areas)
        }
        one = len(set(zooms.values())) == 1
        depth = (
            str(max(zooms.values())) if one else f"{{ {', '.join(f'{n} = {z}' for n, z in zooms.items())} }}"
        )
        remarks.append(
            f"A{_named([a.name for a in areas])[1:]} have the same shape, so that a change of one would leave the "
            f"other as it was. Write one area in their place, with deepest = {depth}."
        )
    return remarks


def depth_remarks(layer: Layer, users: list[Area]) -> list[str]:
    """What areas ask for and the layer cannot give: a sentence for each kind, however many areas."""
    first, last = layer.zooms
    wanted = [(area.name, area.deepest_for(layer.name)) for area in users]
    if not wanted:
        return [f'No area uses layer "{layer.name}".']
    remarks = _narrowed(layer)
    if deeper := [name for name, deepest in wanted if deepest > last]:
        verb = "asks" if len(deeper) == 1 else "ask"
        remarks.append(
            f'Layer "{layer.name}" ends at zoom {last}, but {_named(deeper)} {verb} for deeper zooms.'
        )
    if none := [name for name, deepest in wanted if deepest < first]:
        verb = "is not" if len(none) == 1 else "are not"
        remarks.append(
            f'Layer "{layer.name}" starts at zoom {first}; {_named(none)} {verb} '
            "deep enough to get any of its tiles."
        )
    return remarks + _low_floors(layer, users)


def _low_floors(layer: Layer, users: list[Area]) -> list[str]:
    """A sentence on areas whose at-least is beyond the layer's last zoom."""
    last = layer.zooms[1]
    beyond = [a.name for a in users if (a.least_for(layer.name) or 0) > last]
    if not beyond:
        return []
    verb = "asks" if len(beyond) == 1 else "ask"
    return [
        f'Layer "{layer.name}" ends at zoom {last}, and {_named(beyond)} {verb} for a deeper one at least; zoom {last} '
        "counts as enough there."
    ]


def _narrowed(layer: Layer) -> list[str]:
    asked = layer.as_written.zooms
    if layer.offer is None or "zooms" not in layer.as_written.model_fields_set or asked == layer.zooms:
        return []
    return [
        f'Layer "{layer.name}": the brief asks for zooms {quote_value(list(asked))}, but the server only offers '
        f"{quote_value(list(layer.zooms))} of them."
    ]


def crew_remarks(brief: Brief) -> list[str]:
    """A sentence for each crew that gets nothing of a layer, since none of its areas uses it."""
    remarks = []
    for crew in brief.crews:
        own = [area for area in brief.areas if crew.areas is None or area.name in crew.areas]
        none = [
            name
            for name in brief.layers
            if any(area.uses(name) for area in brief.areas) and not any(area.uses(name) for area in own)
        ]
        if none:
            listed = _and([quote_value(name) for name in none])
            layers = "layer" if len(none) == 1 else "layers"
            remarks.append(
                f"Crew {quote_value(crew.name)} gets nothing of {layers} {listed}: none of its areas uses "
                f"{'it' if len(none) == 1 else 'them'}."
            )
    return remarks


def outside_remarks(layer: Layer, counts: Iterable[tuple[str, int, int]]) -> list[str]:
    """A sentence for each area of which part lies where the server offers nothing.

    `counts` are the areas' names, with how many tiles each has and how many of them are lost.
    """
    short = [(name, every, lost) for name, every, lost in counts if lost]
    remarks = []
    for name, every, lost in short[:_MOST_NAMED]:
        whose = "the overview" if name == OVERVIEW else _named([name])
        what = (
            f"None of the {counted(every, 'tile')} of {whose} is"
            if lost == every
            else (f"{lost:,} of the {counted(every, 'tile')} of {whose} {'is' if lost == 1 else 'are'} not")
        )
        remarks.append(f'{what} inside what the server of layer "{layer.name}" offers.')
    if more := len(short[_MOST_NAMED:]):
        areas_text = "area is" if more == 1 else "areas are"
        remarks.append(
            f'{more:,} more {areas_text} not completely inside what the server of "{layer.name}" offers.'
        )
    return remarks


def _named(areas: list[str]) -> str:
    named = [quote_value(name) for name in areas]
    if len(named) > _MOST_NAMED + 1:
        named = [*named[:_MOST_NAMED], f"{len(named) - _MOST_NAMED} more"]
    return f"{'area' if len(areas) == 1 else 'areas'} {_and(named)}"


def _and(named: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(named[:-1]), named[-1])))

"""Depths in words: the depth that is held first, what was asked for beside it, and why the two differ."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from packer.common.units import counted
from packer.proof.depths import AreaDepth, WaypointDepth
from packer.proof.walk import LineWalk

__all__ = ["below_text", "depth_lines", "depth_text", "floor_reasons", "outside_text", "unreached_text"]

_SPANS_NAMED, _WAYPOINTS_NAMED = 6, 8
_LONGEST_NAME = 40


def depth_text(depth: AreaDepth) -> str:
    """How deep a layer is on board in an area, such as "to zoom 12 of 14 asked; the server does not have the rest"."""
    if depth.as_asked:
        return f"to zoom {depth.held} as asked"
    if depth.shows_the_other:
        return f"{_percent(depth.share)} of it to zoom {depth.deepest}; elsewhere {depth.over} shows"
    if depth.held is None:
        start = (
            f"nothing all over it of zoom {depth.asked} asked"
            if depth.share
            else f"nothing of zoom {depth.asked} asked"
        )
    else:
        start = f"to zoom {depth.held} of {depth.asked} asked"
    part = f" ({_percent(depth.share)} of it to zoom {depth.deepest})" if 0 < depth.share < 1 else ""
    return f"{start}{part}; {_why(depth)}"


def depth_lines(depths: Iterable[AreaDepth]) -> Iterator[str]:
    """A line for each area and layer: what is on board of it, and whether that is less than its floor."""
    for depth in depths:
        floor = "" if depth.reaches_floor else f" BELOW ITS FLOOR, zoom {depth.floor}."
        yield f"{depth.area}: {depth.layer} {depth_text(depth)}.{floor}"


def _why(depth: AreaDepth) -> str:
    parts = []
    if depth.missing:
        parts.append(f"{counted(depth.missing, 'tile')} missing")
    if depth.corrupt:
        parts.append(f"{counted(depth.corrupt, 'tile')} corrupt")
    if parts and depth.absent:
        parts.append(f"{counted(depth.absent, 'tile')} that the server does not have")
    return ", ".join(parts) or "the server does not have the rest"


def floor_reasons(
    depths: Iterable[AreaDepth], waypoints: Sequence[WaypointDepth], walks: Sequence[LineWalk]
) -> Iterator[str]:
    """A sentence for each area that does not reach its floor on a layer, with the stretches and the waypoints, and for
    each with waypoints outside it that are not reached."""
    for depth in depths:
        if not depth.reaches_floor:
            where = _where_below(depth, waypoints, walks)
            yield (
                f"{depth.area}, {depth.layer}: below its floor, zoom {depth.floor}: {depth_text(depth)}."
                + (f" Below the floor: {where}." if where else "")
            )
    yield from unreached_text(waypoints)


def below_text(depth: AreaDepth, waypoints: Sequence[WaypointDepth], walks: Sequence[LineWalk]) -> str:
    """Where an area is below its floor on a layer, and which waypoints outside it are not reached; "" if nowhere."""
    places = [] if depth.reaches_floor else [_where_below(depth, waypoints, walks)]
    own = [w for w in waypoints if (w.area, w.layer) == (depth.area, depth.layer)]
    if out := [w for w in own if not (w.inside or w.is_reached)]:
        noun = "waypoint" if len(out) == 1 else "waypoints"
        places.append(f"{noun} outside it, {_listed(out)}")
    return "; ".join(filter(None, places))


def _where_below(depth: AreaDepth, waypoints: Sequence[WaypointDepth], walks: Sequence[LineWalk]) -> str:
    """Where an area is below its floor on a layer: stretches by kilometre, waypoints by name, and how much of it."""
    places = [*_stretches(depth, walks), *_names(depth, waypoints)]
    if 0 < depth.share_at_floor < 1:
        places.append(f"{_percent(1 - depth.share_at_floor)} of its tiles at zoom {depth.floor}")
    elif not places and depth.share_at_floor == 0:
        places.append("all of it")
    return "; ".join(places)


def _stretches(depth: AreaDepth, walks: Sequence[LineWalk]) -> Iterator[str]:
    own = [w for w in walks if (w.area, w.layer) == (depth.area, depth.layer)]
    for walk in own:
        spans = walk.below_floor
        if not spans:
            continue
        line = f"line {walk.line}, " if len(own) > 1 else ""
        named = ", ".join(f"{a / 1000:.1f} to {b / 1000:.1f}" for a, b in spans[:_SPANS_NAMED])
        more = f" and {len(spans) - _SPANS_NAMED:,} more" if len(spans) > _SPANS_NAMED else ""
        yield f"{line}km {named}{more}"


def _names(depth: AreaDepth, waypoints: Sequence[WaypointDepth]) -> Iterator[str]:
    below = [
        _name(w)
        for w in waypoints
        if (w.area, w.layer) == (depth.area, depth.layer) and w.inside and not w.reaches_floor
    ]
    if below:
        more = f" and {len(below) - _WAYPOINTS_NAMED:,} more" if len(below) > _WAYPOINTS_NAMED else ""
        noun = "waypoint" if len(below) == 1 else "waypoints"
        yield f"{noun} {', '.join(below[:_WAYPOINTS_NAMED])}{more}"


def outside_text(waypoints: Sequence[WaypointDepth]) -> Iterator[str]:
    """A sentence for each area and layer with waypoints beyond its reach where the map is less deep than its floor,
    but as deep as the overview."""
    for (area, layer), out in _outside(waypoints):
        if near := [w for w in out if w.is_reached and not w.reaches_floor]:
            lie, are = ("waypoint lies", "is") if len(near) == 1 else ("waypoints lie", "are")
            yield (
                f"{layer}: {len(near):,} {lie} outside the area {area} and {are} less deep than "
                f"its floor, zoom {near[0].floor}: {_listed(near)}. An area with points = covers them."
            )


def unreached_text(waypoints: Sequence[WaypointDepth]) -> Iterator[str]:
    """A sentence for each area and layer with waypoints beyond its reach that not even the overview reaches.

    Where a tile is still missing, to fetch it is what helps.
    """
    for (area, layer), out in _outside(waypoints):
        if far := [w for w in out if not w.is_reached and w.why not in ("missing", "corrupt")]:
            lie = "waypoint lies" if len(far) == 1 else "waypoints lie"
            yield (
                f"{area}, {layer}: {len(far):,} {lie} outside the area, with less than zoom {far[0].needed} on board: "
                f"{_listed(far)}. Add an area with points = for them, or name what the area takes of its file "
                "(feature =)."
            )


def _outside(
    waypoints: Sequence[WaypointDepth],
) -> Iterator[tuple[tuple[str, str], list[WaypointDepth]]]:
    """The waypoints that lie outside their area, by area and layer."""
    out: dict[tuple[str, str], list[WaypointDepth]] = {}
    for waypoint in waypoints:
        if not waypoint.inside:
            out.setdefault((waypoint.area, waypoint.layer), []).append(waypoint)
    yield from out.items()


def _listed(waypoints: Sequence[WaypointDepth]) -> str:
    named = ", ".join(f"{_name(w)} ({_held(w)})" for w in waypoints[:_WAYPOINTS_NAMED])
    more = f" and {len(waypoints) - _WAYPOINTS_NAMED:,} more" if len(waypoints) > _WAYPOINTS_NAMED else ""
    return named + more


def _held(waypoint: WaypointDepth) -> str:
    return "nothing on board" if waypoint.held is None else f"zoom {waypoint.held}"


def _name(waypoint: WaypointDepth) -> str:
    where = f"at {waypoint.waypoint.lat:.5f}, {waypoint.waypoint.lon:.5f}"
    name = "".join(c if c.isprintable() else " " for c in waypoint.waypoint.name).strip()
    return f'"{textwrap.shorten(name, _LONGEST_NAME, placeholder="...")}"' if name else where


def _percent(share: float) -> str:
    """Never rounded to nothing or to all."""
    percent = share * 100
    if percent < 1:
        return "under 1 %"
    return "over 99 %" if percent > 99 else f"{percent:.0f} %"

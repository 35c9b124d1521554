"""What `lastbar take-in` says of a picture before and after it is cut."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from packer.common.shell import shell_command
from packer.common.units import bytes_text, counted, duration_text
from packer.content.rasters.facts import PictureFacts
from packer.content.rasters.sampling import TrialCut
from packer.content.rasters.warping import resampling_for
from packer.errors import InputError
from packer.geometry.geodesics import GEOD
from packer.geometry.position_text import decimal_text, mgrs_text
from packer.geometry.shapes import wrapped
from packer.geometry.tileset import TileSet
from packer.planning.brief import OVERVIEW, Brief, Layer
from packer.planning.plan import Plan
from packer.planning.whereabouts import places
from packer.store.picture_taking import PictureJob, PictureTaken

__all__ = ["describe", "expectation_text", "off_the_plan_error", "taken_text"]


def describe(facts: PictureFacts, plan: Plan, layer: str, tile_px: int) -> Iterator[str]:
    """What the picture is, line by line."""
    lon, lat = facts.middle
    wide, high = (_length(metres) for metres in facts.size_m)
    yield f"{facts.path.name}: {wide} wide, {high} high, round {decimal_text(wrapped(lon), lat)}"
    if -80 <= lat <= 84:
        yield f"  MGRS: {mgrs_text(wrapped(lon), lat)}"
    yield f"  Place: {_beside_areas(facts, plan, layer, tile_px)}"
    yield f"  Pixels: {facts.width:,} x {facts.height:,}, each {_length(facts.resolution_m)} on the ground"
    good = "" if facts.accuracy_m is None else f", placed to about {_length(facts.accuracy_m)} here"
    yield f"  Coordinate system: {facts.crs_name}{good}"
    yield f"  Bands: {facts.bands}"
    if facts.stretch is not None:
        yield (
            f"  Brightness: {facts.stretch.low:g} and less becomes black, {facts.stretch.high:g} and more white, "
            "evenly between (2 % of the sampled pixels lie beyond either)"
        )
    yield f"  No picture: {facts.nodata}"
    whose = "the file's own date, as the picture has none" if facts.dated_by_file else "by the picture itself"
    yield f"  Date: {facts.taken}, {whose}"
    native = facts.native_zoom(tile_px)
    yield f"  Worth cutting to zoom {native}; deeper tiles would be finer than the picture."
    asked = max((a.asked for a in plan.layers[layer].areas if a.name != OVERVIEW), default=native)
    if asked > native:
        yield f"  The brief asks for zoom {asked}: zooms {native + 1} to {asked} stay empty."
    elif asked < native:
        yield (
            f"  The brief asks for zoom {asked} only. To have all that the picture shows, set deepest = "
            f"{{ {layer} = {native} }} in its areas."
        )


def _length(metres: float) -> str:
    if metres >= 1000:
        return f"{metres / 1000:.3g} km"
    return f"{metres:.3g} m" if metres >= 1 else f"{metres * 100:.3g} cm"


def _beside_areas(facts: PictureFacts, plan: Plan, layer: str, tile_px: int) -> str:
    """In which areas of the layer the picture lies, or how far from the nearest."""
    zoom = min(14, facts.native_zoom(tile_px))
    here = facts.tiles(zoom)
    inside = [
        area.name for area in plan.layers[layer].areas if area.name != OVERVIEW and here & area.cover.at(zoom)
    ]
    if inside:
        shown = ", ".join(f'"{name}"' for name in inside[:4])
        return f"in {'area' if len(inside) == 1 else 'areas'} {shown}{' and more' if len(inside) > 4 else ''}"
    lon, lat = facts.middle
    nearest = min(
        ((GEOD.inv(lon, lat, place.lon, place.lat)[2], place.name) for place in places(plan)), default=None
    )
    if nearest is None:
        return "in no area"
    return f'in no area; the middle of the nearest, "{nearest[1]}", is {_length(nearest[0])} away'


def off_the_plan_error(facts: PictureFacts, brief: Brief, plan: Plan, layer: str, tile_px: int) -> InputError:
    """The picture shows nothing that the plan asks of the layer."""
    lon, lat = facts.middle
    return InputError(
        f'{facts.path} shows no tile that {brief.path} asks of layer "{layer}": it lies at '
        f"{decimal_text(wrapped(lon), lat)}, {_beside_areas(facts, plan, layer, tile_px)}. Add an area there, or "
        "correct the picture's coordinate system. Nothing was changed."
    )


def expectation_text(job: PictureJob, todo: TileSet, trial: TrialCut) -> Iterator[str]:
    """What cutting will take, and how tiles are made."""
    if not todo:
        yield f"All of its {counted(len(job.wanted), 'tile')} are there already."
        return
    count, zooms = len(todo), todo.zooms
    span = f"zoom {zooms[0]}" if len(zooms) == 1 else f"zooms {zooms[0]} to {zooms[-1]}"
    tried = ""
    if trial.tile_s:
        size = bytes_text(count * trial.shown * trial.tile_bytes)
        tried = f", about {size}, in about {duration_text(count * trial.tile_s)} by a trial of a few"
    yield f"To cut: {counted(count, 'tile')} as {job.kind.value}, {span}{tried}."
    if len(job.wanted) > count:
        yield f"  {counted(len(job.wanted) - count, 'more tile')} of it are there already and stay."
    near = resampling_for(1.0, job.lossless)
    way = {
        "nearest": "by the nearest pixel at its own detail, since mixed colours would be in no legend",
        "cubic": "by cubic convolution at its own detail, which keeps edges sharp",
    }[near]
    yield f"  Pixels are worked out {way}, and as the mean of all pixels on coarser zooms."
    if job.over:
        yield "  The picture is laid over stored tiles. What they show under it is gone from the pack."
    else:
        yield "  Stored tiles stay as they are; the picture fills what is missing. To lay it over them: --over"


def taken_text(name: str, layer: Layer, taken: PictureTaken, brief: Path) -> Iterator[str]:
    """What became of the tiles, and what to do next."""
    more = f", {taken.laid:,} joined with stored ones" if taken.laid else ""
    rest = f"{taken.kept:,} already there, {taken.empty:,} without picture"
    yield f"{name}: {counted(taken.cut, 'tile')} cut{more}, {rest}."
    if taken.waiting:
        again = shell_command("take-in", brief, layer.name, name)
        what = f"{counted(taken.waiting, 'tile')} {'is' if taken.waiting == 1 else 'are'}"
        yield (
            f"{what} shown in part only, at the edge of the picture, and left to the layer's server: the fetch "
            f"brings them whole. To have the picture on them as well, fetch first, and then lay it over: {again} --over"
        )
    if taken.damaged:
        yield (
            f"{counted(taken.damaged, 'stored tile')} could not be decoded and stayed as it was. Run lastbar verify, "
            "which finds such tiles."
        )
    yield f"To see how the map stands: {shell_command('status', brief)}"

"""`ON THIS CARD.txt`: one page for the crew, in 80 columns, that any device can show."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping

from packer.common.units import bytes_text, counted
from packer.geometry.grid import metres_per_pixel
from packer.geometry.shapes import Corridor
from packer.handover.manifest import MANIFEST, FileEntry, Manifest
from packer.planning.plan import OVERVIEW, Plan

__all__ = ["card_text"]

_WIDTH = 80
_FORMATS = {"png": "PNG pictures", "jpg": "JPEG pictures", "webp": "WebP pictures", "pbf": "vector tiles"}
_OPENS = {
    "mbtiles": "Open an .mbtiles file with a map program that reads MBTiles.",
    "gpkg": "Open a .gpkg file with a map program that reads GeoPackage.",
    "folder": "The tiles are in folders as zoom/column/row; tiles.json describes them.",
}
_CAUTIONS = (
    "Imagery is dated: paths, rivers, snow and buildings may have changed since.",
    "These are Web Mercator maps: for viewing, not for positioning.",
    "Carry an independent means of navigation, and know how to use it.",
    "Local law, closures and private ground are not on the map: ask before you go.",
    "If your work needs a licence or a guide, this map replaces neither.",
)


def card_text(manifest: Manifest, plan: Plan, loose_bytes: Mapping[str, int]) -> str:
    """The page for a copy. Long lists are cut, and say so; the manifest has them whole.

    `loose_bytes` has for each list of checksums what its loose tiles take, which the manifest does not say.
    """
    sections = [
        ("", _heading(manifest)),
        ("WHAT", _what(manifest)),
        ("WHERE (degrees, WGS 84)", _where(manifest, plan)),
        ("FILES", _files(manifest, loose_bytes)),
        ("HOW DEEP", _depths(manifest, plan)),
        ("WHAT IS NOT HERE", _gaps(manifest)),
        ("DATES", _dates(manifest)),
        ("ATTRIBUTION (keep it with the maps)", _attributions(manifest)),
        ("BEFORE YOU RELY ON IT", iter(_CAUTIONS)),
    ]
    lines = ["ON THIS CARD"]
    for title, texts in sections:
        lines += ["", title] if title else []
        for text in texts:
            lines += _wrapped(text)
    return "\n".join(lines) + "\n"


def _wrapped(text: str) -> list[str]:
    """A line of the page; columns are kept where it fits, and anything longer is folded."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    if len(plain) + 2 <= _WIDTH:
        return [f"  {plain}".rstrip()]
    return textwrap.wrap(plain, _WIDTH, initial_indent="  ", subsequent_indent="    ")


def _heading(manifest: Manifest) -> Iterator[str]:
    yield manifest.title
    yield f"For the devices of crew {manifest.crew}." if manifest.crew is not None else "For every device."
    if not manifest.complete:
        yield f"NOT COMPLETE: {manifest.lacks}, see WHAT IS NOT HERE."


def _what(manifest: Manifest) -> Iterator[str]:
    for name, layer in list(manifest.layers.items())[:6]:
        zooms = [int(zoom) for zoom in layer.by_zoom]
        if not zooms:
            yield f"{name}: nothing."
            continue
        yield (
            f"{name}: {counted(layer.on_board, 'tile')}, {_FORMATS.get(layer.format, layer.format)}, "
            f"zooms {min(zooms)} to {max(zooms)}."
        )
    yield from _rest("layer", len(manifest.layers), 6)
    for kind in dict.fromkeys(file.kind for file in manifest.files):
        if kind in _OPENS:
            yield _OPENS[kind]


def _where(manifest: Manifest, plan: Plan) -> Iterator[str]:
    west, south, east, north = manifest.bounds
    yield f"Longitude {west:.4f} to {east:.4f}, latitude {south:.4f} to {north:.4f}."
    names = list(
        dict.fromkeys(a.name for la in manifest.layers.values() for a in la.areas if a.name != OVERVIEW)
    )
    if names:
        yield f"Areas: {_listed(names, 6)}."
    shapes = [plan.shapes[name] for name in names if name in plan.shapes]
    places = [w.name for shape in shapes if isinstance(shape, Corridor) for w in shape.waypoints if w.name]
    if places:
        yield f"Places: {_listed(list(dict.fromkeys(places)), 8)}."


def _files(manifest: Manifest, loose_bytes: Mapping[str, int]) -> Iterator[str]:
    files = [file for file in manifest.files if file.kind != "text"]
    device = "on the crew's device" if manifest.crew is not None else "on the device"
    for file in files[:10]:
        yield f"{file.name.split('/')[0]}  {_size(file, loose_bytes)}{_ground(file)}"
    yield from _rest("file", len(files), 10)
    if any(file.parts > 1 for file in files):
        yield (
            f"Each part is a map of its own, with the overview in it. For the whole map put every part {device}. "
            "The numbers after a part are its area: west, south, east, north."
        )
    else:
        yield f"Put all of them {device}."
    yield f"To check a copy: lastbar inspect FOLDER. It needs {MANIFEST}, so copy that too."


def _size(file: FileEntry, loose_bytes: Mapping[str, int]) -> str:
    if file.kind != "folder":
        return bytes_text(file.size_bytes)
    return f"{bytes_text(loose_bytes[file.name])} in {counted(sum(file.by_zoom.values()), 'loose tile')}"


def _ground(file: FileEntry) -> str:
    if file.parts == 1 or file.ground is None:
        return ""
    return "  " + " ".join(f"{value:.3f}" for value in file.ground)


def _depths(manifest: Manifest, plan: Plan) -> Iterator[str]:
    lat = plan.middle[1]
    rows = [(area, name) for name, layer in manifest.layers.items() for area in layer.areas]
    for area, name in rows[:10]:
        yield f"{area.name}: {name} {area.in_words}.{_pixel(area.held, lat, plan.layers[name].tile_px)}"
    yield from _rest("area", len(rows), 10)


def _pixel(zoom: int | None, lat: float, side: int) -> str:
    if zoom is None:
        return ""
    pixel = metres_per_pixel(zoom, lat, side)
    ground = f"{pixel:.0f}" if pixel >= 10 else f"{pixel:.2g}"
    return f" About {ground} m a pixel ({side}-pixel tiles)."


def _gaps(manifest: Manifest) -> Iterator[str]:
    none = True
    for name, layer in manifest.layers.items():
        if layer.wrong_ground:
            none = False
            yield f"{name}: MOST LIKELY NOT A MAP OF THIS GROUND. {layer.wrong_ground}"
        for count, text in (
            (layer.absent, "{} not on the server"),
            (layer.missing, "{} MISSING: not fetched in time"),
            (layer.damaged, "{} MISSING: corrupt in the pack"),
        ):
            if count:
                none = False
                yield f"{name}: {text.format(counted(count, 'planned tile'))}."
        for area in [area for area in layer.areas if area.below_floor][:10]:
            none = False
            yield f"{area.name}, {name}: LESS DEEP THAN ZOOM {area.floor}, its floor: {area.below_floor}."
    if none:
        yield "Nothing: every planned tile is on this card."


def _dates(manifest: Manifest) -> Iterator[str]:
    for name, layer in list(manifest.layers.items())[:6]:
        if layer.fetched is not None:
            first, last = (day[:10] for day in layer.fetched)
            yield f"{name}: fetched {f'on {first}' if first == last else f'from {first} to {last}'} (UTC)."
        if layer.shows is not None:
            yield f"{name}: shows {_short(layer.shows)}."
        if layer.blended is not None:
            names = _listed(list(layer.blended.over), 3)
            yield f"{name}: {names} is blended into it, on {counted(layer.blended.tiles, 'tile')}."
        for picture in layer.pictures[-3:]:
            yield f"{name}: cut from the picture {_short(picture)}."
        yield from _rest("picture", len(layer.pictures), 3)
        if layer.licence_ends is not None:
            yield f"{name}: the licence ends on {layer.licence_ends}. Remove the map from the device by then."
    yield "These dates say when a tile was fetched. The picture may have been taken years before."


def _attributions(manifest: Manifest) -> Iterator[str]:
    for name, layer in list(manifest.layers.items())[:6]:
        yield f"{name}: {_short(layer.attribution)}"
        yield f"{name}, permission: {_short(layer.permission)}"


def _short(text: str) -> str:
    return textwrap.shorten(text, 220, placeholder=" ...")


def _rest(what: str, count: int, most: int) -> Iterator[str]:
    if count > most:
        yield f"and {counted(count - most, f'more {what}')}, all listed in {MANIFEST}"


def _listed(names: list[str], most: int) -> str:
    rest = f" and {len(names) - most:,} more" if len(names) > most else ""
    return ", ".join(textwrap.shorten(name, 40, placeholder="...") for name in names[:most]) + rest

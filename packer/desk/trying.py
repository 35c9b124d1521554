"""Trying a layer: any pasted address, made into a template, asked for a handful of tiles, and told in words."""

from __future__ import annotations

import base64
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit

from packer.desk.source_look import SourceLook
from packer.desk.transport import DESK_TRANSPORT
from packer.errors import AnswerError, BriefError, InputError, LastbarError
from packer.fetching.hosts.address_trial import AddressTrial, Finding, try_address, zooms_that_answer
from packer.fetching.hosts.offer_reading import ChooseLayerError, read_offers
from packer.fetching.hosts.tile_asker import TileAsker
from packer.geometry.source_grid import SourceGrid
from packer.geometry.source_tiles import windows_of
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.source_layers import grid_of, server_layers, with_source_layer
from packer.sources.address import UnsetError, check_place, check_template
from packer.sources.recognition import Guess, ServiceGuess, guesses, is_service, services, variants
from packer.sources.safe_address import literal_key, refusal
from packer.store.reader import tile_at

__all__ = ["try_layer"]

_NAME = "trial"
_ZOOMS = (8, 11, 14)
_MOST_GUESSES = 4
_DEEPEST = 20
_CHOICE = {"wmts": "wmts-layer", "wms": "wms-layers", "ogc-tiles": "ogc-collection"}
"""The key for the layer that was chosen, by that of the address."""


@dataclass(frozen=True, slots=True)
class _Asked:
    """What the page sent: an address, the place under its cross, and a layer of a service if one was chosen."""

    address: str
    lon: float
    lat: float
    wmts_layer: str | None
    contact: str | None
    found: list[Guess] = field(default_factory=list)


async def try_layer(body: Mapping[str, Any], contact: str | None, look: SourceLook) -> dict[str, Any]:
    """Try the address in `body` ("address", "lon", "lat", "wmts_layer"); what was found, as plain data.

    `values` are keys for the layer in a brief, `sentences` what to tell, `pictures` up to four tiles in base64,
    `layers` the names to choose from where the address is that of a service with several. Raises InputError for what
    is no address or has a key in it, and what asking raises. If cancelled: nothing is left behind.
    """
    asked = _read(body, contact)
    if (where := literal_key(asked.address)) is not None:
        raise InputError(refusal(where))
    try:
        return await _tried(asked, look)
    except BriefError as fault:
        if not isinstance(fault.__context__, UnsetError):
            raise
        # The brief of the trial and its layer are none that the planner knows, nor has a page a terminal.
        raise InputError(
            f"The address needs the environment variable {fault.__context__}, which is not set. Check how it is spelt, "
            "or give the key here."
        ) from None


async def _tried(asked: _Asked, look: SourceLook) -> dict[str, Any]:
    if "{" in asked.address.replace("${", ""):
        _checked(asked.address, template=True)
        return await _try_templates(asked, [Guess(asked.address, Tile(0, 0, 0))], look)
    if not is_service(asked.address) and (found := guesses(asked.address)):
        return await _try_templates(asked, found[:_MOST_GUESSES], look)
    _checked(asked.address, template=False)
    return await _try_document(asked, look)


def _read(body: Mapping[str, Any], contact: str | None) -> _Asked:
    address, lon, lat = body.get("address"), body.get("lon", 0.0), body.get("lat", 0.0)
    if not isinstance(address, str) or not address.strip() or len(address) > 4000:
        raise InputError("Paste the address of a tile, of a template with {z}, {x} and {y}, or of a service.")
    if not all(isinstance(v, int | float) and abs(v) <= most for v, most in ((lon, 360), (lat, 90))):
        raise InputError("The place to try has to be a longitude and a latitude.")
    chosen = body.get("wmts_layer")
    return _Asked(
        address.strip(), float(lon), float(lat), chosen if isinstance(chosen, str) else None, contact
    )


def _checked(address: str, *, template: bool) -> None:
    try:
        check_template(address, ()) if template else check_place(address)
    except ValueError as fault:
        raise InputError(f"This address cannot be used: {fault}.") from None


def _brief(asked: _Asked, values: Mapping[str, Any], folder: Path) -> Brief:
    """A brief of one layer, only to be tried."""
    terms = {
        "attribution": "-",
        "permission": "a trial of a few tiles",
        "connections": 2,
        "requests-per-second": 8,
    }
    document: dict[str, Any] = {"title": "Trial", **({"contact": asked.contact} if asked.contact else {})}
    document["layers"] = {_NAME: {**terms, **values}}
    document["areas"] = [{"name": "place", "point": [0, 0], "radius": "1 km", "deepest": 1}]
    return Brief.from_text(tomlkit.dumps(document), folder / "brief.toml")


async def _try_templates(asked: _Asked, found: list[Guess], look: SourceLook) -> dict[str, Any]:
    """The first of the templates that gives a map, or else what the likeliest gave."""
    first: dict[str, Any] | None = None
    with tempfile.TemporaryDirectory(prefix="lastbar-") as folder:
        for guess in found:
            brief = _brief(asked, {"url": guess.template, "zooms": [0, _DEEPEST]}, Path(folder))
            async with look.alone(brief, _NAME, None) as asker:
                tiles = _tiles(asked, guess.tile)
                filled = asker.source.address.template
                trial = await try_address(filled, tiles, asker.ask, written=guess.template)
                told = await _told(asker, trial, guess.template, tiles)
            first = first or told
            if not trial.looks_wrong or trial.better is not None:
                return told
    assert first is not None
    return first


def _tiles(asked: _Asked, pasted: Tile) -> list[Tile]:
    """The pasted tile and those above it; for a template, the place under the cross."""
    if pasted.zoom == 0:
        return [tile_at(asked.lon, asked.lat, zoom) for zoom in _ZOOMS]
    zooms = sorted({max(pasted.zoom - up, min(pasted.zoom, 3)) for up in (0, 2, 4)})
    return [Tile(z, pasted.x >> (pasted.zoom - z), pasted.y >> (pasted.zoom - z)) for z in zooms]


async def _told(asker: TileAsker, trial: AddressTrial, written: str, tiles: list[Tile]) -> dict[str, Any]:
    template, zooms = written, None
    if trial.better is not None and not trial.shift:
        template = next((v.template for v in variants(written) if v.what == trial.slip), written)
    usable = trial.finding is Finding.FITS or (trial.better is not None and not trial.shift)
    if usable and trial.bodies:
        known, deep = trial.bodies[0][0].zoom, tiles[-1]
        address = trial.better or asker.source.address.template
        zooms = await zooms_that_answer(address, lambda z: _at(deep, z), known, (0, _DEEPEST), asker.ask)
    values: dict[str, Any] = {"url": template}
    if zooms is not None:
        values["zooms"] = list(zooms)
    if trial.kind is not None and not template.partition("?")[0].endswith(f".{trial.kind.value}"):
        values["format"] = trial.kind.value
    if trial.side_px == 512:
        values["tile-size"] = 512
    return _answer(trial, values if usable else {}, usable)


def _at(deep: Tile, zoom: int) -> Tile:
    """The tile of a zoom over, or in the middle of, another."""
    if zoom <= deep.zoom:
        return Tile(zoom, deep.x >> (deep.zoom - zoom), deep.y >> (deep.zoom - zoom))
    more = zoom - deep.zoom
    half = 1 << (more - 1)
    return Tile(zoom, (deep.x << more) + half, (deep.y << more) + half)


async def _try_document(asked: _Asked, look: SourceLook) -> dict[str, Any]:
    """The document of a service, of whichever kind it is, and tiles by what it says."""
    first: LastbarError | None = None
    for guess in services(asked.address):
        try:
            return await _try_service(asked, guess, look)
        except ChooseLayerError as fault:
            told = ["This service has several layers. Choose one."]
            return {
                "usable": False,
                "values": {},
                "sentences": told,
                "layers": list(fault.names),
                "pictures": [],
            }
        except AnswerError as fault:
            first = first or fault
    assert first is not None, "there is always a guess"
    raise first


async def _try_service(asked: _Asked, guess: ServiceGuess, look: SourceLook) -> dict[str, Any]:
    """An address as that of one kind of service. Raises AnswerError where it is none. If cancelled: nothing is left
    behind."""
    values: dict[str, Any] = {guess.key: guess.address, **dict(guess.values)}
    if asked.wmts_layer is not None and guess.key in _CHOICE:
        values[_CHOICE[guess.key]] = asked.wmts_layer
    with tempfile.TemporaryDirectory(prefix="lastbar-") as folder:
        brief = _brief(asked, values, Path(folder))
        settled, _ = await read_offers(brief, Path(folder), transport=DESK_TRANSPORT)
        layer = settled.layers[_NAME]
        wide = with_source_layer(settled, _NAME)
        async with look.alone(wide, server_layers(settled)[_NAME], None) as asker:
            zooms = range(layer.zooms[0], layer.zooms[1] + 1)
            tiles = [tile_at(*_place(asked, layer.offer), z) for z in zooms if z in _ZOOMS] or [
                tile_at(*_place(asked, layer.offer), layer.zooms[1])
            ]
            if (grid := grid_of(layer)) is not None:
                tiles = _source_places(grid, tiles, layer.tile_size or 256)
            trial = await try_address(asker.source.address.template, tiles, asker.ask, mend=False)
    if layer.offer is not None and layer.offer.attribution:
        values["attribution"] = layer.offer.attribution
    usable = trial.finding is Finding.FITS
    told = _answer(trial, {**values, "zooms": list(layer.zooms)}, usable)
    if grid is not None:
        told["sentences"].append(
            f"It is asked for in {grid.crs} ({grid.name}), and its tiles are made from those. The pictures below are "
            "the server's own."
        )
    return told


def _source_places(grid: SourceGrid, tiles: list[Tile], tile_px: int) -> list[Tile]:
    """The middle one of the source tiles that each tile is made of."""
    windows = [
        window for _, window in windows_of(grid, TileSet.from_tiles(tiles), tile_px) if window is not None
    ]
    places = [
        Tile(grid.matrices[w.matrix].zoom, (w.first + w.last) // 2, (w.upper + w.lower) // 2) for w in windows
    ]
    return list(dict.fromkeys(places))


def _place(asked: _Asked, offer: Any) -> tuple[float, float]:
    """The place under the cross, or the middle of what is on offer if that lies elsewhere."""
    box = offer.bounds if offer is not None else None
    if box is None or box.west > box.east:
        return asked.lon, asked.lat
    inside = box.west <= asked.lon <= box.east and box.south <= asked.lat <= box.north
    return (asked.lon, asked.lat) if inside else ((box.west + box.east) / 2, (box.south + box.north) / 2)


def _answer(trial: AddressTrial, values: dict[str, Any], usable: bool) -> dict[str, Any]:
    pictures = [
        {"tile": str(tile), "base64": base64.b64encode(data).decode("ascii")}
        for tile, data in trial.bodies
        if trial.kind is None or trial.kind.value != "pbf"
    ]
    return {
        "usable": usable,
        "finding": trial.finding.value,
        "sentences": list(trial.sentences),
        "values": values,
        "kind": None if trial.kind is None else trial.kind.value,
        "side_px": trial.side_px,
        "layers": [],
        "pictures": pictures,
        "requests": trial.requests,
    }

"""The report as one page: the verdict first, then what it rests on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from itertools import groupby

from packer.common.units import bytes_text, counted, duration_text
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.offers import date_of
from packer.planning.plan import Plan
from packer.proof.depth_words import depth_text
from packer.proof.report.map_picture import numbered_waypoints
from packer.proof.report.markup import Html, bullets, el, embedded, joined, pairs, picture, plain, table
from packer.proof.report.samples import Sample
from packer.proof.results import Depth, LayerFindings, TileCounts, Verdict, VerifyReport
from packer.proof.walk import LineWalk, Stretch
from packer.proof.wording import day
from packer.version import __version__

__all__ = ["Exhibits", "page"]

_MOST_GAPS = 60
_MOST_NAMED = 40
_SIGNS = {
    "go": '<circle cx="32" cy="32" r="29" fill="#0f6b52"/>'
    '<path d="M17 33l10 11 20-24" fill="none" stroke="#fff" stroke-width="7"/>',
    "care": '<path d="M32 4L62 58H2z" fill="#e8a13a" stroke="#1d2322" stroke-width="3"/>'
    '<path d="M32 23v17M32 46v6" stroke="#1d2322" stroke-width="6"/>',
    "no": '<path d="M20 2h24l18 18v24L44 62H20L2 44V20z" fill="#a61c16"/>'
    '<path d="M19 19l26 26M45 19L19 45" stroke="#fff" stroke-width="7"/>',
}
_WORDS = {
    Verdict.READY: ("go", "Every planned tile is on board and intact."),
    Verdict.READY_WITH_WARNINGS: (
        "care",
        "Every planned tile that the server has is on board and intact. Read the warnings.",
    ),
    Verdict.NOT_READY: ("no", "Planned tiles are missing or corrupt."),
    Verdict.UNFINISHED: ("no", "The check stopped before its end. It found no fault so far."),
}
_LOOKED = {
    Depth.QUICK: "quick check: records and structure, and the bytes of a sample of tiles",
    Depth.HASH: "every stored tile hashed",
    Depth.FULL: "every stored tile hashed and decoded",
}
_CAUTIONS = (
    "Imagery is dated. Roads, bridges, water and snow will have changed since it was taken.",
    "These are Web Mercator maps: for viewing, not for positioning or navigation by themselves.",
    "Carry an independent means of navigation, and people who can use it.",
    "Local law, land closures and the judgement of licensed professionals come first.",
)


@dataclass(frozen=True, slots=True)
class Exhibits:
    """What the page shows beside figures. Maps and samples are by layer, strips by area and line; `hashes` are
    SHA-256 of the pack files in hexadecimal digits."""

    maps: Mapping[str, bytes]
    strips: Mapping[tuple[str, int], bytes]
    samples: Mapping[str, Sequence[Sample]]
    hashes: Mapping[str, Mapping[str, str]]


def page(brief: Brief, plan: Plan, found: VerifyReport, shown: Exhibits, now: float) -> str:
    """The whole document, with no link to anything outside it."""
    style = files("packer.proof.report").joinpath("page.css").read_text(encoding="utf-8")
    head = (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">\n"
        f"{el('title', f'{brief.title}: are the maps ready?')}\n<style>\n{style}</style>\n</head>\n"
    )
    parts = [
        *_opening(brief, plan, found, now),
        *_depths(found),
        *_layers(brief, plan, found),
        *_maps(plan, shown),
        *_route(found, shown),
        *_sample_tiles(shown),
        *_packs(brief, found, shown),
        el("h2", "Cautions"),
        bullets(_CAUTIONS),
        el("p", f"Written by Lastbar {__version__}. Coverage rule: {plan.rule}.", class_="when"),
    ]
    return f"{head}{el('body', el('main', joined(parts)))}\n</html>\n"


def _opening(brief: Brief, plan: Plan, found: VerifyReport, now: float) -> Iterator[Html]:
    kind, sentence = _WORDS[found.verdict]
    if found.depth is Depth.QUICK and found.ready:
        sentence = (
            "Every planned tile is recorded as stored. This was a quick check of a sample, not the proof."
        )
    if found.verdict is Verdict.NOT_READY and all(layer.sound for layer in found.layers.values()):
        sentence = "Places are less deep than their floor: the server does not have what they need."
    if found.wrong_ground:
        sentence = "A layer does not show the ground that was planned."
    moment = datetime.fromtimestamp(now, UTC).strftime("%Y-%m-%d %H:%M UTC")
    yield el("h1", brief.title)
    yield el("p", f"Map check of {moment}; {_LOOKED[found.depth]}. Plan {plan.fingerprint}.", class_="when")
    sign = Html(f'<svg class="sign" viewBox="0 0 64 64" aria-hidden="true">{_SIGNS[kind]}</svg>')
    words = el("div", el("strong", found.verdict.value), el("span", sentence))
    yield el("section", sign, words, class_=f"verdict {kind}")
    counts = [la.counts for la in found.layers.values()]
    figures = [
        ("planned tiles", sum(c.planned for c in counts)),
        ("on board, intact", sum(c.stored for c in counts)),
        ("not on server", sum(c.absent for c in counts)),
        ("missing", sum(c.missing for c in counts)),
        ("corrupt", sum(c.corrupt for c in counts)),
    ]
    yield el("div", *(el("div", el("b", f"{n:,}"), text) for text, n in figures), class_="figures")
    if found.reasons:
        yield joined([el("h2", "Why", class_="lead"), bullets(found.reasons)])
    if found.warnings:
        yield joined([el("h2", "Warnings", class_="lead"), bullets(found.warnings)])
    yield joined([el("h2", "Not checked", class_="lead"), bullets(found.not_checked)])


def _depths(found: VerifyReport) -> Iterator[Html]:
    yield el("h2", "How deep the map is on board")
    rows = []
    for depth in found.depths:
        floor = "–" if depth.floor is None else str(depth.floor)
        text = f"{depth_text(depth)[:1].upper()}{depth_text(depth)[1:]}"
        rows.append(
            [
                depth.area,
                depth.layer,
                text if depth.reaches_floor else el("td", f"{text}. BELOW ITS FLOOR", class_="words bad"),
                floor,
            ]
        )
    yield table(["area", "layer", "on board everywhere in it", "floor"], rows, words=(1, 2))
    named = [w for w in found.waypoints if w.inside or not w.reaches_floor]
    if not named:
        return
    yield el("h3", "At the waypoints")
    rows = []
    for w in named[:_MOST_GAPS]:
        held = "nothing" if w.held is None else f"zoom {w.held} of {w.asked} asked"
        cell = (
            held if w.reaches_floor else el("td", f"{held}. BELOW ITS FLOOR, {w.floor}", class_="words bad")
        )
        rows.append([w.waypoint.name or "unnamed", w.area, w.layer, cell])
    yield table(["waypoint", "area", "layer", "on board there"], rows, words=(1, 2, 3))
    if len(named) > _MOST_GAPS:
        yield el("p", f"And {len(named) - _MOST_GAPS:,} more; verify --json has them all.")


def _layers(brief: Brief, plan: Plan, found: VerifyReport) -> Iterator[Html]:
    yield el("h2", "Layers")
    heads = [
        "layer",
        "planned",
        "on board",
        "not on server",
        "missing",
        "corrupt",
        "size",
        "oldest",
        "newest",
        "licence ends",
    ]
    rows = []
    for name, layer in found.layers.items():
        oldest, newest = (day(t) for t in layer.fetched) if layer.fetched else ("–", "–")
        ends = brief.layers[name].expires
        rows.append(
            [name, *_figures(layer.counts), bytes_text(layer.size_bytes), oldest, newest, str(ends or "–")]
        )
    yield table(heads, rows)
    for name, layer in found.layers.items():
        yield el("h3", f"{name}: area by area")
        areas = [_area_row(a.name, layer, a.tiles) for a in plan.layers[name].areas]
        yield table(["area", "planned", "on board", "not on server", "missing", "corrupt"], areas)
        if layer.counts.stored == layer.counts.planned:
            first, *_, last = [*layer.by_zoom] * 2
            yield el("p", f"Complete at every zoom, {first} to {last}.")
            continue
        zooms = [[span, *_figures(c)] for span, c in _by_zoom(layer)]
        yield el("h3", f"{name}: zoom by zoom")
        heads = ["zoom", "planned", "on board", "not on server", "missing", "corrupt"]
        yield table(heads, zooms, ["all", *_figures(layer.counts)])
        yield from _named(name, layer)


def _by_zoom(layer: LayerFindings) -> Iterator[tuple[str, TileCounts]]:
    """Counts by zoom, with neighbouring zooms that lack nothing in one row."""
    for whole, group in groupby(layer.by_zoom.items(), key=lambda row: row[1].stored == row[1].planned):
        rows = list(group)
        if whole and len(rows) > 2:
            planned = sum(c.planned for _, c in rows)
            yield f"{rows[0][0]} to {rows[-1][0]}", TileCounts(planned, planned, 0, 0, 0)
        else:
            yield from ((str(zoom), counts) for zoom, counts in rows)


def _figures(counts: TileCounts) -> list[str]:
    planned, stored, absent = (f"{getattr(counts, n):,}" for n in ("planned", "stored", "absent"))
    return [planned, stored, absent, *(_bad(getattr(counts, n)) for n in ("missing", "corrupt"))]


def _bad(count: int) -> str:
    return el("td", f"{count:,}", class_="bad") if count else "0"


def _area_row(name: str, layer: LayerFindings, tiles: TileSet) -> list[str]:
    parts = (layer.stored, layer.absent, layer.missing, layer.corrupt)
    return [name, *_figures(TileCounts(len(tiles), *(len(tiles & part) for part in parts)))]


def _named(name: str, layer: LayerFindings) -> Iterator[Html]:
    total = len(layer.bad) + len(layer.missing)
    if not total:
        return
    listed = [
        f"{tile}: {kind}" for (tile, kind), _ in zip(layer.problems(), range(_MOST_NAMED), strict=False)
    ]
    if total > len(listed):
        listed.append(f"and {total - len(listed):,} more")
    yield joined([el("h3", f"{name}: tiles not to rely on"), bullets(listed)])


def _maps(plan: Plan, shown: Exhibits) -> Iterator[Html]:
    yield el("h2", "Coverage", class_="sheet")
    waypoints = numbered_waypoints(plan)
    if waypoints:
        names = "; ".join(f"{n} {w.name or 'unnamed'}" for n, w in enumerate(waypoints, 1))
        yield el("p", f"Waypoints: {names}.")
    for name, data in shown.maps.items():
        caption = (
            f"Layer {name}. A square is complete only if every planned tile in it, at every zoom, and every tile "
            "above it is on board and intact. Thick line: route; thin lines: edges of areas."
        )
        yield picture(data, "png", f"Coverage map of layer {name}", caption, "map")


def _route(found: VerifyReport, shown: Exhibits) -> Iterator[Html]:
    if not found.walk:
        return
    yield el("h2", "Along the route")
    for (area, line), data in shown.strips.items():
        walks = [w for w in found.walk if (w.area, w.line) == (area, line)]
        many = sum(w.area == area and w.layer == walks[0].layer for w in found.walk) > 1
        which = f"{area}, line {line}" if many else area
        yield el("h3", f"{which}: {walks[0].length_m / 1000:,.1f} km")
        caption = "The filled part reaches up to the deepest zoom that is complete within the half-width of the line."
        yield picture(data, "png", f"Strip chart of {which}", caption)
        yield from _gaps(walks)


def _gaps(walks: Sequence[LineWalk]) -> Iterator[Html]:
    rows, number = [], 0
    for walk in walks:
        for gap in walk.gaps:
            number += 1
            rows.append([str(number), walk.layer, *_gap_cells(gap, walk.asked, walk.floor)])
    if not rows:
        deep = ", ".join(f"{w.layer} to zoom {w.deepest} of {w.asked} asked" for w in walks)
        yield el("p", f"No gap: complete all the way ({deep}).")
        return
    heads = [
        "gap",
        "layer",
        "from km",
        "to km",
        "starts at (lat, lon)",
        "complete to",
        "missing",
        "not on server",
        "to fetch",
    ]
    yield table(heads, rows[:_MOST_GAPS], words=(1,))
    if len(rows) > _MOST_GAPS:
        yield el("p", f"And {len(rows) - _MOST_GAPS:,} more gaps.")
    stops = [
        f"{w.layer}, km {s.at_m / 1000:.1f}: {s.waypoint.name or 'unnamed'}" for w in walks for s in w.stops
    ]
    if stops:
        yield joined([el("p", "Waypoints inside a gap:"), bullets(stops[:_MOST_GAPS])])


def _gap_cells(gap: Stretch, asked: int, floor: int | None) -> list[str]:
    depth = "no zoom" if gap.complete_to is None else f"zoom {gap.complete_to} of {asked}"
    if floor is not None and (gap.held is None or gap.held < floor):
        depth = el("td", f"{depth}, below the floor", class_="bad")
    counts = ["–" if n is None else f"{n:,}" for n in (gap.missing, gap.absent)]
    if gap.corrupt:
        counts[0] = f"{counts[0]}, and {gap.corrupt:,} corrupt"
    lon, lat = gap.start
    time_text = "–" if gap.seconds is None else duration_text(gap.seconds)
    return [
        f"{gap.from_m / 1000:.3f}",
        f"{gap.to_m / 1000:.3f}",
        f"{lat:.5f}, {lon:.5f}",
        depth,
        *counts,
        time_text,
    ]


def _sample_tiles(shown: Exhibits) -> Iterator[Html]:
    yield el("h2", "Sample tiles")
    yield el(
        "p",
        "One stored tile for each zoom, from places spread along the route. Check that they show what you expect.",
    )
    for name, found in shown.samples.items():
        yield el("h3", name)
        yield (
            el("div", *(_sample(s) for s in found), class_="tiles")
            if found
            else el("p", "Nothing is on board.")
        )


def _sample(sample: Sample) -> Html:
    shown = (
        embedded(sample.jpeg, "jpeg", f"Tile {sample.tile}")
        if sample.jpeg
        else el("div", "no picture: a vector tile, or one that cannot be decoded", class_="none")
    )
    return el("figure", shown, el("figcaption", str(sample.tile)))


def _hashes(files: Mapping[str, str]) -> Iterator[tuple[str, Html]]:
    for name, digest in files.items():
        yield "SHA-256" if len(files) == 1 else f"SHA-256 of {name}", el("code", digest)
    if not files:
        yield "SHA-256", el("code", "there is no pack")


def _packs(brief: Brief, found: VerifyReport, shown: Exhibits) -> Iterator[Html]:
    yield el("h2", "Packs")
    for name, layer in found.layers.items():
        said = brief.layers[name]
        fetched = f"{day(layer.fetched[0])} to {day(layer.fetched[1])}" if layer.fetched else "–"
        yield el("h3", layer.pack.name)
        yield pairs(
            [
                ("Layer", name),
                ("Attribution", plain(said.attribution)),
                ("Permission", said.permission),
                *([("Date of what it shows", shows)] if (shows := date_of(said)) else []),
                ("Licence ends", str(said.expires or "no date given")),
                ("Tiles fetched", fetched),
                *(("Cut from the picture", picture) for picture in layer.pictures),
                ("May be out of date", counted(len(layer.stale), "tile")),
                (
                    "Size",
                    f"{bytes_text(layer.size_bytes)} ({layer.size_bytes:,} bytes), "
                    f"{layer.all_bodies:,} distinct tiles",
                ),
                *_hashes(shown.hashes.get(name, {})),
            ]
        )

"""Surveys that go on where the first samples leave a depth undecided, and what the samples say together."""

from __future__ import annotations

import asyncio
import io
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from packer.geometry.cover import cover_corridor
from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.plan import AreaPlan, LayerPlan, Plan, plan
from packer.survey.estimate import layer_sizes
from packer.survey.evidence import Judged, Sort, open_zooms, pooled, worth_to
from packer.survey.imagery import Sight, detail_alone, sheet
from packer.survey.imagery.contrast import cells, cells_of
from packer.survey.inspection import chosen, judge_layer, most_samples
from packer.survey.record import Record, read_record, save_record
from packer.survey.rounds import SURVEY_SEED, survey_rounds
from packer.survey.sheets import _marks
from packer.survey.targets import Contrasts, next_samples
from tests.budgets import tries
from tests.conftest import BriefMaker
from tests.imagery_samples.labelled import EVALUATION, cases, flat_cases
from tests.imagery_samples.places import PLACES, surveyed
from tests.tile_server import TileServer, answer, png

SORTS = {sort.value[0]: sort for sort in Sort}


def pyramid(
    letters: Mapping[int, str], at: int = 1000, factors: Mapping[int, int] | None = None
) -> dict[Tile, Judged]:
    """One place: a tile at each zoom with the sort that its letter names, and the factor given for it."""
    top = min(letters)
    found = {}
    for zoom, letter in letters.items():
        tile = Tile(zoom, at << (zoom - top), 1000 << (zoom - top))
        found[tile] = Judged(
            tile, SORTS[letter], None, 1000, (factors or {}).get(zoom, 2 if letter == "e" else 1)
        )
    return found


def letters_of(judged: Mapping[Tile, Judged]) -> str:
    return "".join(judged[tile].sort.value[0] for tile in sorted(judged))


# ---------------------------------------------------------------------------------------------- together


@pytest.mark.parametrize(
    ("alone", "factors", "together"),
    [
        ("nnuu", {}, "nnuu"),
        ("uunu", {}, "nnnu"),  # what is above a native zoom is native
        ("nueu", {}, "nuee"),  # what is below an enlarged one is not
        ("uuue", {17: 4}, "uuee"),
        ("uuue", {17: 8}, "ueee"),
        ("nuue", {17: 8}, "neee"),
        ("nneu", {16: 4}, "nnee"),  # one says that zoom 15 is native, one that it is not
        ("nnen", {}, "nnnn"),  # a tie is native
        ("neen", {}, "nnee"),
        ("bbbb", {}, "bbbb"),
        ("nbuu", {}, "nuuu"),  # there is something below the blank tile
        ("naaa", {}, "naaa"),
    ],
)
def test_the_samples_of_a_place_are_judged_together(
    alone: str, factors: dict[int, int], together: str
) -> None:
    judged = pyramid(dict(zip(range(14, 18), alone, strict=True)), factors=factors)
    assert letters_of(pooled(judged)) == together
    assert letters_of(pooled(dict(reversed(judged.items())))) == together
    assert letters_of(judged) == alone


def test_night_imagery_is_cut_by_what_its_deepest_zoom_shows() -> None:
    """Six of seven undecided at zooms 15 and 16, as in a survey at night that kept zoom 16 of native 14."""
    judged: dict[Tile, Judged] = {}
    for n in range(7):
        judged |= pyramid(
            {13: "n", 14: "n" if n < 3 else "u", 15: "u", 16: "e" if n < 4 else "u"}, 1000 + n, {16: 4}
        )
    planned = {zoom: 4 ** (zoom - 10) for zoom in range(13, 17)}
    found = worth_to(judged, planned, 16)
    assert (found.zoom, found.judged) == (14, True)
    assert not open_zooms(judged, planned, 16)


def test_one_coarse_tile_alone_cuts_nothing_however_many_places_lie_in_it() -> None:
    judged = {Tile(10, 10, 10): Judged(Tile(10, 10, 10), Sort.ENLARGED, None, 1, 2)}
    for n in range(9):
        for zoom in range(11, 15):
            tile = Tile(zoom, (10 << (zoom - 10)) + n % 2, (10 << (zoom - 10)) + n % 2)
            judged[tile] = Judged(tile, Sort.UNDECIDED, None, 1)
    assert not worth_to(judged, {zoom: 4 ** (zoom - 8) for zoom in range(9, 15)}, 14).judged


def test_faint_signs_count_only_where_many_agree_and_nothing_native_is_seen_there() -> None:
    def places(hints: int, native: int = 0) -> dict[Tile, Judged]:
        judged: dict[Tile, Judged] = {}
        for n in range(12):
            judged |= pyramid({13: "n", 14: "n", 15: "u", 16: "n" if n < native else "u"}, 1000 + n)
        deep = [tile for tile in sorted(judged) if tile.zoom == 16][12 - hints :]
        for tile in deep:
            judged[tile] = Judged(tile, Sort.UNDECIDED, None, 1, 1, 4)
        return judged

    planned = {zoom: 4 ** (zoom - 9) for zoom in range(13, 17)}
    assert worth_to(places(7), planned, 16).zoom == 14
    assert "faint signs" in worth_to(places(7), planned, 16).evidence
    assert not worth_to(places(5), planned, 16).judged
    assert worth_to(places(6, native=4), planned, 16).zoom == 16


@pytest.mark.parametrize("kind", ["png", "jpeg80"])
def test_native_ground_gives_no_faint_sign_of_an_enlargement(kind: str) -> None:
    native = [c.child for c in cases(EVALUATION[:6], 1, seed=11, codings=(kind,)) if c.truth == "native"]
    flat = [body for _, coding, body in flat_cases(1, seed=11) if coding == kind]
    assert {detail_alone(body).hint for body in (*native, *flat)} == {1}


# ---------------------------------------------------------------------------------------------- where next


def test_cells_are_ranked_by_contrast_and_a_smooth_slope_over_the_tile_is_not_what_leads() -> None:
    levels = np.linspace(0, 60, 256, dtype=np.float32)[None, :].repeat(256, axis=0)
    levels[130:180, 70:120] += 40 * np.random.default_rng(1).standard_normal((50, 50)).astype(np.float32)
    first = cells_of(levels, 2)[0]
    assert (first.column, first.row, first.grid) == (1, 2, 4)
    assert len(cells_of(levels, 9)) == 256
    assert cells(b"no picture", 2) == []


def lit(corner: bool) -> bytes:
    """A night tile, with a lit town in its lower right quarter if `corner`."""
    levels = np.full((256, 256), 12.0)
    if corner:
        levels[128:, 128:] += 60 * np.random.default_rng(2).random((128, 128))
    buffer = io.BytesIO()
    Image.fromarray(levels.astype(np.uint8)).save(buffer, "PNG")
    return buffer.getvalue()


def test_the_next_samples_lie_where_the_coarser_tile_shows_most_contrast() -> None:
    top = Tile(14, 8000, 6000)
    tiles = TileSet.from_tiles([top]) | TileSet.union(
        TileSet.from_tiles([top]).children(14) | TileSet.from_tiles([top]).children(14).children(15)
        for _ in (1,)
    )
    dark = Tile(16, 8000 << 2, 6000 << 2)  # sampled first, in the dark corner
    judged = {
        tile: Judged(tile, Sort.UNDECIDED, Sight.DARK, 1)
        for tile in (top, Tile(15, dark.x >> 1, dark.y >> 1), dark)
    }
    area = AreaPlan("town", 16, tiles)
    found = next_samples([area], judged, Contrasts(lambda tile: lit(tile == top)), 50)
    assert found, "something is open"
    deepest = [tile for tile in found if tile.zoom == 16]
    assert all(tile.x & 2 and tile.y & 2 for tile in deepest), deepest
    assert Tile(15, deepest[0].x >> 1, deepest[0].y >> 1) in found, "with the zooms above that are open too"
    assert not next_samples([area], judged, Contrasts(lambda tile: lit(tile == top)), 1), (
        "no more than may be"
    )
    decided = judged | {t: Judged(t, Sort.NATIVE, None, 1) for t in tiles if t.zoom == 16}
    assert not next_samples([area], decided, Contrasts(lambda _: lit(True)), 50)


def route(layers: int, zoom: int = 14) -> Plan:
    line = np.array([(-118.0 + 0.2 * n, 37.0 + 2.0 * np.sin(n / 9)) for n in range(90)])  # some 1,700 km
    tiles = cover_corridor([line], 500.0, zoom).pyramid(0)
    plans = {f"{n}": LayerPlan(f"{n}", tiles, (AreaPlan("road", zoom, tiles),)) for n in range(layers)}
    return Plan(plans, {}, LonLatBox(0, 0, 1, 1), (0, 0), ())


@pytest.mark.parametrize("layers", [1, 3])
def test_a_route_of_1700_km_that_nothing_decides_costs_under_600_requests(layers: int) -> None:
    worked_out = route(layers)
    most, first = most_samples(worked_out, None), chosen(worked_out, None, "seed")
    body = png("busy", 64)
    contrasts = Contrasts(lambda _: body)
    judged = {tile: Judged(tile, Sort.UNDECIDED, Sight.DARK, 1) for tile in first["0"]}
    before = len(judged)
    for _ in range(40):
        more = next_samples(worked_out.layers["0"].areas, judged, contrasts, most - len(judged))
        assert not set(more) & set(judged)
        judged |= {tile: Judged(tile, Sort.UNDECIDED, Sight.DARK, 1) for tile in more}
        if not more:
            break
    assert before < len(judged) <= most
    assert layers * len(judged) < 600


# ---------------------------------------------------------------------------------------------- places


@pytest.mark.parametrize("number", [1, 6, 7][: tries(2, 3)])
def test_places_at_night_and_out_of_focus_are_surveyed_to_within_a_zoom(number: int) -> None:
    """Three of the ten of scripts/bench_survey.py, on less ground."""
    place = PLACES[number]
    line = np.array([(-118.0 + 0.05 * n, 37.0 + 0.3 * np.sin(n / 5)) for n in range(30)])
    deepest = place.native + 2
    tiles = cover_corridor([line], 500.0, deepest).pyramid(place.native)
    first, last, judged = surveyed(place, tiles, deepest, 45)
    assert last.judged, last.evidence
    assert abs(last.zoom - place.native) <= 1
    assert len(judged) <= 45
    if not first.judged:
        assert len(judged) > 32, "it is the samples sought since that have decided"


# ---------------------------------------------------------------------------------------------- what is left


def test_the_record_tells_what_was_spread_evenly_from_what_was_sought(
    brief_for: BriefMaker, tmp_path: Path
) -> None:
    layer = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png").layers["survey"]
    even, sought = (TileSet.from_tiles([Tile(9, n, 1), Tile(9, n, 2)]) for n in (1, 2))
    save_record(tmp_path / "survey.mbtiles", layer, Record(even, {"ground": 9}, sought))
    assert read_record(tmp_path / "survey.mbtiles", layer) == Record(even, {"ground": 9}, sought)


def test_sought_samples_count_for_the_depth_and_not_for_the_sizes(brief_for: BriefMaker) -> None:
    """What shows most weighs most: an estimate by such tiles would be too high."""
    from tests.test_proof import fill, pack

    brief: Brief = brief_for(
        "http://127.0.0.1:9/{z}/{x}/{y}.png", area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14"
    )
    layer = plan(brief).layers["survey"]
    fill(brief, list(layer.tiles))
    every = list(layer.tiles)
    even, sought = TileSet.from_tiles(every[::2]), TileSet.from_tiles(every[1::2])
    found = judge_layer(brief, layer, even, sought=sought)
    assert len(found.judged) == len(every)
    assert set(layer_sizes(brief.layers["survey"], layer, pack(brief)).samples) == set(even)


def test_each_sample_on_a_sheet_bears_its_verdict() -> None:
    rows = [("Km 40", {14: lit(True), 15: lit(False), 16: None})]
    plain, marked = (
        np.asarray(Image.open(io.BytesIO(page)))
        for page in (sheet(rows), sheet(rows, marks=[{14: "real detail", 15: "unclear, dark"}]))
    )
    changed = np.argwhere((plain != marked).any(axis=2))
    assert plain.shape == marked.shape
    columns = {int(x - 182) // 166 for _, x in changed}
    assert columns == {0, 1}, "what has no verdict has no word"
    assert changed[:, 0].min() > 160, "in the corner below"
    judged = pyramid({14: "n", 15: "e", 16: "u", 17: "b"})
    deepest = max(judged)
    judged[Tile(16, deepest.x >> 1, deepest.y >> 1)] = Judged(
        Tile(16, deepest.x >> 1, deepest.y >> 1), Sort.UNDECIDED, Sight.DARK, 1
    )

    class Finding:
        pass

    finding = Finding()
    finding.judged = judged  # type: ignore[attr-defined]
    assert _marks(finding, deepest) == {  # type: ignore[arg-type]
        14: "real detail",
        15: "enlarged",
        16: "unclear, dark",
        17: "blank",
    }


def test_what_is_sought_in_a_later_round_is_asked_for_once_and_belongs_to_the_survey_from_then_on(
    brief_for: BriefMaker,
) -> None:
    """Tiles of 16 pixels tell nothing by themselves, so every round seeks more; each fetch fails for one of them."""
    missing = "/survey/13/"

    def fault(path: str) -> bytes | None:
        return answer("400 Bad Request") if path.startswith(missing) else None

    with TileServer(fault) as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.45, 47.08]\ndeepest = 14")
        worked_out = plan(brief)
        first = asyncio.run(survey_rounds(brief, worked_out, samples=40))
        again = asyncio.run(survey_rounds(brief, worked_out, samples=40))
        asked = {path: n for path, n in server.asked.items() if path.startswith("/survey/")}
        assert {n for path, n in asked.items() if not path.startswith(missing)} == {1}
    even = chosen(worked_out, 40, SURVEY_SEED)["survey"]
    record = read_record(brief.store_folder / "survey.mbtiles", brief.layers["survey"])
    assert record.sample == even - even.at(13)
    assert record.sought, "more was looked at than the first samples"
    assert not record.sought & even
    assert len(even | record.sought) <= 40
    assert set(first.layers["survey"].judged) == set(again.layers["survey"].judged)

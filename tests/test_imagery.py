"""Blank, repeated, enlarged: the judging of tiles against tiles whose truth is known.

The pictures judged here are the evaluation set of `tests/imagery_samples`; no threshold was tuned on them.
`scripts/bench_imagery.py` prints the same figures on a larger set.
"""

from __future__ import annotations

import io
import itertools
from functools import cache

import numpy as np
import pytest
from PIL import Image

from packer.errors import AnswerError
from packer.geometry.tileset import Tile
from packer.survey.imagery import Detail, DetailVerdict, Sight, detail, detail_alone, look, repeated, sheet
from packer.survey.imagery.pixels import colours, grey
from packer.survey.imagery.repeats import text_like
from tests.budgets import tries
from tests.imagery_samples.labelled import (
    CODINGS,
    EVALUATION,
    Case,
    cases,
    encode,
    flat_cases,
    picture,
)
from tests.imagery_samples.placeholders import EVEN, NOTICES, PATTERNS, placeholder


@cache
def judged() -> list[tuple[Case, Detail, Detail]]:
    return [
        (case, detail(case.child, case.parent, case.quadrant), detail_alone(case.child))
        for case in cases(EVALUATION, each=tries(1, 2), seed=41, codings=("png", "jpeg90", "jpeg70"))
    ]


def verdicts(alone: bool) -> list[tuple[Case, DetailVerdict]]:
    return [(case, (by_itself if alone else told).verdict) for case, told, by_itself in judged()]


@pytest.mark.parametrize("alone", [False, True], ids=["with parent", "alone"])
def test_of_decidable_tiles_ninety_four_in_a_hundred_are_judged_right(alone: bool) -> None:
    right = [verdict == case.truth for case, verdict in verdicts(alone) if case.decidable]
    assert len(right) > tries(60, 119)
    assert np.mean(right) >= 0.94


@pytest.mark.parametrize("alone", [False, True], ids=["with parent", "alone"])
def test_native_tiles_are_not_called_enlarged(alone: bool) -> None:
    wrong = [verdict is DetailVerdict.ENLARGED for case, verdict in verdicts(alone) if case.truth == "native"]
    assert len(wrong) >= tries(30, 60)
    assert np.mean(wrong) <= 0.02


def test_factor_and_filter_are_named_when_a_tile_is_enlarged() -> None:
    found = [(case, told) for case, told, _ in judged() if case.truth == told.verdict == "enlarged"]
    assert np.mean([told.factor == case.factor for case, told in found]) >= 0.93
    named = [(case, told) for case, told in found if told.kind is not None]
    assert len(named) >= 0.85 * len(found)
    assert np.mean([told.kind == case.kind for case, told in named]) >= 0.95


def test_maps_redrawn_at_every_zoom_are_native() -> None:
    drawn = [
        told.verdict for case, told, _ in judged() if case.picture.startswith("map:") and case.factor == 1
    ]
    assert len(drawn) >= tries(9, 18)
    assert set(drawn) == {DetailVerdict.NATIVE}


def test_flat_ground_is_undecided_and_never_blank() -> None:
    for surface, coding, body in flat_cases(each=2, seed=3):
        assert detail_alone(body).verdict is DetailVerdict.UNDECIDED, (surface, coding)
        assert look(body).sight in (Sight.DARK, Sight.WASHED_OUT), (surface, coding)


def test_plain_tiles_are_undecided() -> None:
    for kind in EVEN:
        body = placeholder(kind, "jpeg80")
        assert detail(body, body, (1, 0)).verdict is DetailVerdict.UNDECIDED


@pytest.mark.parametrize(
    ("deviation", "verdict"), [(2.5, DetailVerdict.UNDECIDED), (6.0, DetailVerdict.ENLARGED)]
)
def test_texture_all_over_a_tile_is_judged_only_if_it_is_strong_enough_to_see(
    deviation: float, verdict: DetailVerdict
) -> None:
    """Ground so even may hold nothing finer by itself: that nothing finer is there says little."""
    texture = np.random.default_rng(3).normal(128, deviation, (128, 128)).astype(np.float32)
    enlarged = Image.fromarray(texture).resize((256, 256), Image.Resampling.BICUBIC)
    levels = np.asarray(enlarged).round().astype(np.uint8)
    assert detail_alone(encode(Image.fromarray(levels).convert("RGB"), "png")).verdict is verdict


def test_a_line_of_even_width_is_not_taken_for_doubled_pixels() -> None:
    levels = np.full((256, 256, 3), 240, dtype=np.uint8)
    levels[100:102] = 60
    levels[:, 40:44] = 90
    above = np.full((256, 256, 3), 240, dtype=np.uint8)
    above[50:52] = 60
    above[:, 20:24] = 90
    child, parent = (encode(Image.fromarray(one), "png") for one in (levels, above))
    assert detail(child, parent, (0, 0)).verdict is not DetailVerdict.ENLARGED


def test_a_child_of_another_picture_than_its_parent_is_still_judged() -> None:
    stranger = encode(Image.fromarray(picture("palace", 0)[100:356, 200:456]), "jpeg80")
    for case in itertools.islice(cases(("colony",), 3, seed=8, codings=("jpeg80",)), 6):
        assert detail(case.child, stranger, case.quadrant).verdict == case.truth


def test_sides_that_are_no_tile_are_undecided_and_larger_tiles_are_judged() -> None:
    whole = Image.fromarray(picture("colony", 0))
    odd = encode(whole.crop((0, 0, 250, 256)), "png")
    large = encode(whole.crop((0, 0, 512, 512)), "jpeg80")
    enlarged = encode(whole.crop((0, 0, 256, 256)).resize((512, 512)), "jpeg80")
    assert detail(odd, odd, (0, 0)).verdict is DetailVerdict.UNDECIDED
    assert detail(large, odd, (0, 0)).verdict is DetailVerdict.NATIVE
    assert detail_alone(enlarged).verdict is DetailVerdict.ENLARGED


@pytest.mark.parametrize("body", [b"", b"<html>", b"\xff\xd8\xff\xe0 and no more"])
def test_a_body_that_is_no_picture_is_an_answer_error(body: bytes) -> None:
    for judge in (look, detail_alone):
        with pytest.raises(AnswerError, match="cannot be decoded"):
            judge(body)


def test_a_picture_cut_short_is_an_answer_error() -> None:
    body = encode(Image.fromarray(picture("moon", 0)[:256, :256]), "jpeg80")
    with pytest.raises(AnswerError, match="cannot be decoded"):
        look(body[: len(body) // 2])


def test_grey_levels_and_steps_are_those_that_were_coded() -> None:
    # ITU-T T.81, table K.1, is used as it stands at quality 50 (libjpeg's scaling, from memory).
    tone = Image.new("RGB", (256, 256), (10, 200, 90))
    buffer = io.BytesIO()
    tone.save(buffer, "JPEG", quality=50)
    tile = grey(buffer.getvalue())
    assert tile.steps[0, :4].tolist() == [16, 11, 10, 16]
    assert tile.steps[:4, 0].tolist() == [16, 12, 14, 14]
    # Half a step of the block's mean is 16 / 8 / 2 levels; conversion and rounding cost one more.
    assert abs(float(tile.levels.mean()) - (0.299 * 10 + 0.587 * 200 + 0.114 * 90)) <= 2.0
    assert not grey(encode(tone, "png")).steps.any()


@pytest.mark.parametrize("coding", ["png", "jpeg80", "webp80"])
@pytest.mark.parametrize("kind", EVEN)
def test_one_colour_and_transparency_are_blank(kind: str, coding: str) -> None:
    seen = look(placeholder(kind, coding))
    assert seen.blank
    assert seen.sight is (Sight.TRANSPARENT if kind == "clear" else Sight.BLANK)


def test_dull_real_pictures_are_not_blank() -> None:
    names = (*(name for name in EVALUATION if not name.startswith("map:")), "moon", "mountains")
    for name, coding in itertools.product(names, CODINGS):
        whole = picture(name, 0)[:256, :256].astype(np.float64)
        for strength in (1.0, 0.1, 0.04):
            levels = np.rint(200 + strength * (whole - whole.mean()))
            tile = Image.fromarray(np.clip(levels, 0, 255).astype(np.uint8))
            assert not look(encode(tile, coding)).blank, (name, coding, strength)


def test_look_gives_mean_colour_and_contrast() -> None:
    halves = np.zeros((256, 256, 3), dtype=np.uint8)
    halves[:, 128:] = (200, 100, 50)
    seen = look(encode(Image.fromarray(halves), "png"))
    assert seen.colour == (100, 50, 25)
    white = 0.299 * 200 + 0.587 * 100 + 0.114 * 50
    assert seen.deviation == pytest.approx(white / 2, abs=0.01)
    assert seen.spread == pytest.approx(white, abs=0.5)
    assert seen.sight is Sight.ORDINARY
    night = np.full((256, 256, 3), 6, dtype=np.uint8)
    night[::9, ::7] = 40
    assert look(encode(Image.fromarray(night), "png")).sight is Sight.DARK


def test_one_image_at_many_places_is_reported_with_count_and_hash() -> None:
    ground = [encode(Image.fromarray(picture("meadow", 0)[:256, n : n + 256]), "jpeg80") for n in range(12)]
    for kind, coding in itertools.product((*EVEN, *NOTICES, *PATTERNS), ("png", "jpeg80")):
        bodies = {Tile(14, 100 + n, 7): body for n, body in enumerate(ground)}
        bodies |= {Tile(15, 300 + n, 9): placeholder(kind, coding) for n in range(5)}
        (found,) = repeated(bodies)
        assert found.count == 5
        assert found.tiles[0] == Tile(15, 300, 9)
        assert found.notice == (kind in NOTICES), kind
        assert found.look is not None
        assert found.look.blank == (kind in EVEN)
        assert "came for 5 tiles" in found.sentence
        assert found.sha256[:12] in found.sentence


def test_twice_is_no_repeat_and_a_repeated_page_is_named() -> None:
    bodies = {Tile(3, n, 1): b"<html>" if n < 4 else b"%d" % (n // 2) for n in range(8)}
    (found,) = repeated(bodies)
    assert (found.count, found.look) == (4, None)
    assert "cannot be decoded" in found.sentence


def test_maps_and_imagery_do_not_read_like_notices() -> None:
    read = [text_like(colours(case.child)) for case, _, _ in judged()]
    assert np.mean(read) <= 0.03  # and it is asked of repeated tiles only


def test_sheet_shows_tiles_in_their_own_pixels_and_hatches_what_is_missing() -> None:
    red, blue = ((255, 0, 0), (0, 0, 255))
    tiles = {9: encode(Image.new("RGB", (160, 160), red), "png"), 11: None}
    other = {10: encode(Image.new("RGB", (256, 256), blue), "png"), 11: b"no picture"}
    page = Image.open(io.BytesIO(sheet([("A place", tiles), ("Another place " * 30, other)])))
    assert page.format == "PNG"
    pixels = np.asarray(page.convert("RGB"))
    assert pixels.shape == (26 + 2 * 166 + 6, 176 + 3 * 166 + 6, 3)
    cells = pixels[32:192, 182:342], pixels[32:192, 348:508], pixels[198:358, 348:508]
    assert (cells[0] == red).all()
    assert len(np.unique(cells[1].reshape(-1, 3), axis=0)) > 1  # hatching
    assert (cells[2] == blue).all()
    assert sheet([])

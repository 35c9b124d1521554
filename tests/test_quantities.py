"""Lengths of way and of time as planners write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.quantities import metres, seconds

quick = settings(max_examples=50, deadline=None)  # a busy machine is no failure


@pytest.mark.parametrize(
    ("text", "length_m"),
    [
        ("250 m", 250),
        ("250m", 250),
        ("2 km", 2000),
        ("2.5 km", 2500),
        ("0.25km", 250),
        (" 1 m ", 1),
        ("0 m", 0),
    ],
)
def test_a_length_with_its_unit_is_read_as_metres(text: str, length_m: float) -> None:
    assert metres(text) == length_m


@pytest.mark.parametrize(
    ("text", "time_s"),
    [
        ("90s", 90),
        ("45m", 2700),
        ("45 min", 2700),
        ("2h", 7200),
        ("1.5 h", 5400),
        ("30d", 2_592_000),
        ("0s", 0),
    ],
)
def test_a_time_with_its_unit_is_read_as_seconds(text: str, time_s: float) -> None:
    assert seconds(text) == time_s


NO_LENGTHS = """
250 | m | -5 m | +5 m | 1e3 m | 2,5 km | 2.km | .5 km | 5 miles | 5 ft | 5 m m | 5 M | 1 km 200 m | nan m
inf km | 0x10 m | 250 m² | 1_000 m | ٢٥٠ m | 5\u00a0m\u200b
"""


@pytest.mark.parametrize(
    "text", ["", " ", "5 m\n6 m", "9" * 400 + " m", *NO_LENGTHS.strip().replace("\n", " | ").split(" | ")]
)
def test_anything_else_is_refused_as_a_length(text: str) -> None:
    with pytest.raises(ValueError, match="a length is a number with its unit"):
        metres(text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "90",
        "s",
        "-5 s",
        "1h30m",
        "1 month",
        "5 y",
        "5 S",
        "1e3 s",
        "1,5 h",
        "nan s",
        "٩٠ s",
        "9" * 400 + "s",
    ],
)
def test_anything_else_is_refused_as_a_time(text: str) -> None:
    with pytest.raises(ValueError, match="a length of time is a number with its unit"):
        seconds(text)


@quick
@given(st.text(max_size=12))
def test_any_text_gives_a_finite_amount_or_a_value_error(text: str) -> None:
    for read in (metres, seconds):
        try:
            amount = read(text)
        except ValueError:
            continue
        assert math.isfinite(amount)
        assert amount >= 0


@quick
@given(st.integers(0, 10**9))
def test_a_kilometre_is_a_thousand_metres_and_an_hour_sixty_minutes(n: int) -> None:
    assert metres(f"{n} km") == metres(f"{n * 1000} m")
    assert seconds(f"{n} h") == seconds(f"{n * 60} m") == seconds(f"{n * 60} min") == seconds(f"{n * 3600}s")

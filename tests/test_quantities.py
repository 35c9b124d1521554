"""Lengths, times and sizes as planners write them, and as they are told."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.common.units import bytes_text, duration_text, metres, seconds, size_bytes
from tests.budgets import tries

quick = settings(max_examples=tries(25, 50), deadline=None)  # a busy machine is no failure


@pytest.mark.parametrize(
    ("text", "length_m"),
    [
        ("250 m", 250),
        ("250m", 250),
        ("2 km", 2000),
        ("2.5 km", 2500),
        ("0.25km", 250),
        (
            "800 ft",
            243.84,
        ),  # NIST SP 811 (2008), appendix B.8: 1 ft = 0.3048 m, 1 mi = 1609.344 m, both exactly
        ("0.5mi", 804.672),
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
250 | m | -5 m | +5 m | 1e3 m | 2,5 km | 2.km | .5 km | 5 miles | 5 feet | 5 m m | 5 Mi | 5 nmi | 5 M | 1 km 200 m
nan m | inf km | 0x10 m | 250 m² | 1_000 m | ٢٥٠ m | 5\u00a0m\u200b
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
    with pytest.raises(ValueError, match="a time is a number with its unit"):
        seconds(text)


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("2GB", 2 * 10**9),
        ("32 GB", 32_000_000_000),
        ("500 MB", 5 * 10**8),
        ("1.5 MB", 1_500_000),
        ("1.5 kB", 1500),
        ("300 KB", 300_000),
        ("7B", 7),
        ("7 B", 7),
        ("1TB", 10**12),
        ("1.1 kB", 1100),
        ("3 KiB", 3 * 2**10),
        ("2 MiB", 2**21),
        ("4GiB", 2**32),
        ("1 TiB", 2**40),
    ],
)
def test_a_size_with_its_unit_is_read_as_bytes(text: str, size: int) -> None:
    assert size_bytes(text) == size


NO_SIZES = (
    "2 | 32 | GB | -1GB | -1 GB | 0 MB | 0.4 B | 2 gb | 32 gb | 1e9 B | 2,5 GB | 2 Gb | nan B | inf B | ٢ GB"
)


@pytest.mark.parametrize("text", ["", "9" * 400 + " GB", *NO_SIZES.split(" | ")])
def test_anything_else_is_refused_as_a_size(text: str) -> None:
    with pytest.raises(ValueError, match=r"a size is a number with its unit.*2 GB"):
        size_bytes(text)


@pytest.mark.parametrize(
    ("size", "text"),
    [
        (0, "0 B"),
        (999, "999 B"),
        (999.6, "1 kB"),
        (300_000, "300 kB"),
        (999_600, "1.0 MB"),
        (13_240_000, "13.2 MB"),
        (2 * 10**9, "2.0 GB"),
        (1.5e12, "1.5 TB"),
        (1.2345e15, "1,234.5 TB"),
    ],
)
def test_sizes_are_told_in_powers_of_ten(size: float, text: str) -> None:
    assert bytes_text(size) == text


@pytest.mark.parametrize(
    ("time_s", "text"),
    [
        (0, "0.0 s"),
        (4.2, "4.2 s"),
        (41.4, "41 s"),
        (59.7, "1 min 00 s"),
        (185, "3 min 05 s"),
        (3599.7, "1 h 00 min"),
        (7800, "2 h 10 min"),
    ],
)
def test_times_are_told_to_what_matters(time_s: float, text: str) -> None:
    assert duration_text(time_s) == text


@quick
@given(st.text(max_size=12))
def test_any_text_gives_a_finite_amount_or_a_value_error(text: str) -> None:
    for read in (metres, seconds, size_bytes):
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

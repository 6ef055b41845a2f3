"""Numbers in text: Python's own float() is the second reader."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from server.metrology.readers.numerals import (
    FINE,
    NOT_A_NUMBER,
    TOO_LONG,
    WITH_COMMA,
    nearest_double,
    read_numeral,
)


def _read(text: str) -> tuple[float, int, int, bool]:
    return read_numeral(np.frombuffer(text.encode() + b" ", np.uint8), 0, len(text) + 1)


SHAPES = ["{!r}", "{:.17g}", "{:e}", "{:.9g}", "{:f}", "{:+.3f}", "{:.18e}", "{:.0f}", "{:G}"]


@settings(max_examples=500, deadline=None)
@given(st.floats(-1e9, 1e9), st.sampled_from(SHAPES))
@example(9007199254740993.0, "{:.0f}")
@example(5e-324, "{!r}")
@example(0.1, "{:.18e}")
def test_every_spelling_gives_the_double_that_python_reads(value: float, shape: str) -> None:
    text = shape.format(value)
    read, stop, fault, _ = _read(text)
    assert (stop, fault) == (len(text), FINE)
    expected = float(text)
    if abs(expected) >= 1e-50 or expected == 0.0:
        assert read == expected
    else:
        assert 0.0 < abs(read) < 2.0**-126, "too small for any coordinate, and known not to be zero"


@settings(max_examples=500, deadline=None)
@given(st.integers(0, 2**64 - 1), st.integers(-60, 20))
@example(2**53 + 1, 0)
@example(2**64 - 1, -20)
@example(9007199254740993, 5)
@example(1 << 63, -19)
def test_digits_and_a_power_of_ten_are_rounded_correctly(digits: int, power: int) -> None:
    if digits < 10**19:
        assert nearest_double(np.uint64(digits), power) == float(f"{digits}e{power}")


@settings(max_examples=300, deadline=None)
@given(st.floats(1e-6, 1e6), st.integers(-3, 3))
def test_ties_and_their_neighbours_are_rounded_correctly(value: float, shift: int) -> None:
    """Halfway between two doubles to nineteen digits, and a little beside it."""
    middle = (int(math.ldexp(*math.frexp(value)) * 2**40) * 2 + 1) + shift
    text = f"{middle}"[:19]
    assert _read(text + "e-12")[0] == float(text + "e-12")


def test_more_than_nineteen_digits_are_off_by_one_unit_of_the_last_place_at_most() -> None:
    rng = np.random.default_rng(1)
    for value in rng.normal(size=2000) * 50:
        text = f"{value:.40f}"
        assert abs(_read(text)[0] - float(text)) <= math.ulp(value)


@pytest.mark.parametrize(
    ("text", "value"),
    [("1", 1.0), ("-1", -1.0), ("+1.5", 1.5), (".5", 0.5), ("5.", 5.0), ("00001.5", 1.5), ("-0", 0.0), ("1E5", 1e5),
     ("1e+05", 1e5), ("1e-5", 1e-5), ("0e999", 0.0), ("0.000000000000000000000000001", 1e-27),
     ("100000000000000000000e-20", 1.0), ("1e400", 1e300)],
)  # fmt: skip
def test_spellings(text: str, value: float) -> None:
    assert _read(text)[:3] == (value, len(text), FINE)


@pytest.mark.parametrize(
    "text",
    [
        "nan",
        "-nan",
        "NaN",
        "nan(ind)",
        "-nan(ind)",
        "1.#QNAN",
        "-1.#IND",
        "inf",
        "-Inf",
        "+infinity",
        "1.#INF",
    ],
)
def test_what_c_libraries_print_for_no_number_is_known(text: str) -> None:
    value, stop, fault, _ = _read(text)
    assert math.isnan(value)
    assert (stop, fault) == (len(text), FINE)


@pytest.mark.parametrize(
    ("text", "fault"),
    [("", NOT_A_NUMBER), (".", NOT_A_NUMBER), ("-", NOT_A_NUMBER), ("--1", NOT_A_NUMBER), ("1-", NOT_A_NUMBER),
     ("1e", NOT_A_NUMBER), ("1e+", NOT_A_NUMBER), ("e5", NOT_A_NUMBER), ("1..2", NOT_A_NUMBER), ("0x10", NOT_A_NUMBER),
     ("1_000", NOT_A_NUMBER), ("1d5", NOT_A_NUMBER), ("nano", FINE), ("no", NOT_A_NUMBER), ("in", NOT_A_NUMBER),
     ("1,5", WITH_COMMA), ("1.5,", WITH_COMMA), ("1e5,5", WITH_COMMA), (",5", WITH_COMMA), ("-,5", WITH_COMMA),
     ("1" * 401, TOO_LONG), ("1" * 400, FINE)],
)  # fmt: skip
def test_what_is_no_number(text: str, fault: int) -> None:
    assert _read(text)[2] == fault


@settings(max_examples=300, deadline=None)
@given(
    st.floats(-1e4, 1e4, width=32),
    st.sampled_from(["{:.9g}", "{:.17g}", "{:.6f}", "{:.12e}", "{!r}", "{:.2f}"]),
)
def test_what_a_32_bit_float_prints_fits_a_32_bit_float(value: float, shape: str) -> None:
    assert _read(shape.format(value))[3]


@pytest.mark.parametrize("text", ["0.1234567891", "12.345000000", "1000.00001", "33.333333333333336"])
def test_what_no_32_bit_float_prints_does_not(text: str) -> None:
    assert not _read(text)[3]

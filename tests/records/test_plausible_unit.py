from __future__ import annotations

import pytest

from server.records.plausible_unit import LARGEST_SPAN_MM, LEAST_SPAN_MM, is_plausible_mm, unit_by_size
from server.records.roles import Unit


@pytest.mark.parametrize("span_mm", [13.0, 20.0, 72.0, 125.0])
@pytest.mark.parametrize("unit", [Unit.MM, Unit.CM, Unit.M, Unit.UM])
def test_the_unit_of_any_record_is_found(span_mm: float, unit: Unit) -> None:
    assert unit.in_mm is not None
    guess = unit_by_size(span_mm * (1 + 1e-12 if span_mm == 13.0 else 1 - 1e-12) / unit.in_mm)
    assert unit in guess.fitting


@pytest.mark.parametrize(
    ("span", "unit"),
    [(72.0, Unit.MM), (7.2, Unit.CM), (0.072, Unit.M), (72_000.0, Unit.UM), (72.0 / 25.4, Unit.INCH)],
)
def test_a_whole_arch_is_told_in_every_unit(span: float, unit: Unit) -> None:
    assert unit_by_size(span).best is unit


def test_a_partial_scan_is_small_and_not_in_metres() -> None:
    assert unit_by_size(15.0).best is Unit.MM
    assert unit_by_size(15.0).fitting == (Unit.MM,)


def test_millimetres_and_centimetres_never_both_fit() -> None:
    assert LARGEST_SPAN_MM < 10 * LEAST_SPAN_MM
    spans = [1.01**n for n in range(-1200, 1200)]
    assert not any({Unit.MM, Unit.CM} <= set(unit_by_size(span).fitting) for span in spans)


@pytest.mark.parametrize("span", [0.0, 1e-9, 0.2, 200.0, 1e9])
def test_some_sizes_fit_no_unit(span: float) -> None:
    assert unit_by_size(span).best is None


def test_the_bounds_themselves_are_plausible() -> None:
    assert is_plausible_mm(LEAST_SPAN_MM)
    assert is_plausible_mm(LARGEST_SPAN_MM)
    assert not is_plausible_mm(LARGEST_SPAN_MM + 1e-9)

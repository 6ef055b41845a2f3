from __future__ import annotations

import math

import numpy as np
import pytest

from server.measures.extent import EXTENT, ExtentResult, UnitFrom
from server.measures.measure import Status
from server.records.roles import Role, Unit
from tests.measures.files import TABLE, bench, obj, patch, stl


def _extent(data: bytes, name: str = "jaw.stl", role: Role = Role.JAW, unit: Unit = Unit.MM) -> ExtentResult:
    (made,) = bench(data, name, role, unit).run([EXTENT], {})
    assert made.status is Status.MEASURED, made.says
    return ExtentResult.model_validate(made.result)


def test_a_square_in_millimetres() -> None:
    result = _extent(stl(patch(40.0, at=(10.0, -5.0, 3.0))))
    assert result.span_mm == pytest.approx(40.0 * math.sqrt(2), abs=1e-6)
    assert (result.low_mm, result.high_mm) == ((10.0, -5.0, 3.0), (50.0, 35.0, 3.0))
    assert (result.unit_mm, result.unit_from, result.n_points) == (1.0, UnitFrom.FORM, 36)
    assert result.step_mm == 2.0**-18  # 50 lies between 32 and 64


@pytest.mark.parametrize("unit", [unit for unit in Unit if unit.in_mm])
def test_the_same_square_in_any_unit(unit: Unit) -> None:
    scale = 1.0 / (unit.in_mm or 1.0)
    declared = _extent(stl(patch(50.0 * scale)), unit=unit)
    guessed = _extent(stl(patch(50.0 * scale)), unit=Unit.UNKNOWN)
    assert declared.span_mm == pytest.approx(50.0 * math.sqrt(2), rel=1e-6)
    assert guessed.span_mm == pytest.approx(declared.span_mm, rel=1e-6)
    assert guessed.fitting_units[0] is unit
    assert (declared.unit_from, guessed.unit_from) == (UnitFrom.FORM, UnitFrom.SIZE)


def test_a_declared_unit_comes_first_however_odd_it_is() -> None:
    result = _extent(stl(patch(50.0)), unit=Unit.M)
    assert result.span_mm == pytest.approx(50_000.0 * math.sqrt(2), rel=1e-6)
    assert result.fitting_units == (Unit.MM,)


def test_a_size_of_nothing_is_left_in_millimetres_and_said() -> None:
    result = _extent(stl(patch(400.0)), unit=Unit.UNKNOWN)
    assert (result.unit_mm, result.unit_from, result.fitting_units) == (1.0, UnitFrom.NOWHERE, ())


def test_far_from_the_origin_the_step_grows() -> None:
    result = _extent(stl(patch(64.0, at=(200_000.0, 0.0, 0.0))))
    assert result.step_mm == 2.0**-6


def test_one_stray_point_moves_neither_span_nor_step() -> None:
    facets = np.concatenate([patch(40.0, n=12), [[[0, 0, 0], [0, 1, 0], [3e5, 0, 0]]]])
    result = _extent(stl(facets))
    assert result.n_strays == 1
    assert result.span_mm == pytest.approx(40.0 * math.sqrt(2), abs=1e-6)
    assert result.step_mm == 2.0**-18
    assert result.high_mm[0] == 3e5


def test_positions_of_a_table_have_an_extent_in_millimetres() -> None:
    result = _extent(TABLE, "positions.csv", Role.MARKERS, Unit.UNKNOWN)
    assert (result.span_mm, result.n_points) == (40.0, 4)
    assert (result.unit_mm, result.unit_from) == (1.0, UnitFrom.FILE)


def test_a_refused_file_has_none_and_names_the_rule() -> None:
    (made,) = bench(stl(patch(40.0))[:-700]).run([EXTENT], {})
    assert (made.status, made.because) == (Status.NOT_MEASURED, "file/truncated")


def test_photos_are_not_asked() -> None:
    assert bench(b"", "a.png", Role.PHOTO).run([EXTENT], {}) == []


def test_the_scan_on_the_bench_is_in_the_unit_found() -> None:
    laid = bench(obj(patch(0.05)), "a.obj", unit=Unit.UNKNOWN)
    assert laid.scan.vertices.max() == pytest.approx(50.0)

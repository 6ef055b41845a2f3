from __future__ import annotations

import numpy as np

from server.metrology.bite.plan import CELL_MM, plan_of, unpacked
from tests.metrology.bite.plates import plate


def test_a_plan_holds_the_gaps_where_they_are_and_nothing_elsewhere() -> None:
    points = plate(4.0, 0.0, spacing_mm=0.4).vertices
    points = points[np.hypot(points[:, 0], points[:, 1]) > 2.0]
    gaps = 0.1 + 0.05 * points[:, 0]
    plan = plan_of(points[:, :2], gaps)
    assert plan is not None
    rows, columns = plan.gap_mm.shape
    x = plan.low_mm[0] + CELL_MM * np.arange(columns)
    y = plan.low_mm[1] + CELL_MM * np.arange(rows)
    away = np.hypot(*np.meshgrid(x, y))
    assert np.isnan(plan.gap_mm[away < 1.2]).all()
    inner = (away > 2.6) & (np.abs(x) < 3.5) & (np.abs(y)[:, None] < 3.5)
    np.testing.assert_allclose(
        plan.gap_mm[inner], np.broadcast_to(0.1 + 0.05 * x, plan.gap_mm.shape)[inner], atol=0.015
    )


def test_a_packed_plan_comes_back_to_the_micrometre() -> None:
    points = plate(3.0, 0.0).vertices
    plan = plan_of(points[:, :2], np.sin(points[:, 0]))
    assert plan is not None
    back = unpacked(plan.low_mm, plan.gap_mm.shape[1], plan.packed)
    np.testing.assert_allclose(back.gap_mm, plan.gap_mm, atol=0.0005)
    assert plan_of(np.zeros((0, 2)), np.zeros(0)) is None

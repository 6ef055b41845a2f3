from __future__ import annotations

import numpy as np
import pytest

from server.metrology.bite.closeness import LEAST_MM2, closest, contacts
from server.metrology.bite.smoothing import smoothed
from tests.metrology.bite.plates import plate

PLATE = plate(10.0, 0.0, spacing_mm=0.25)
POINTS = PLATE.vertices
UP = np.tile([0.0, 0.0, 1.0], (len(POINTS), 1))
AREA = np.full(len(POINTS), 0.25**2)
ALL = np.ones(len(POINTS), dtype=bool)


def test_a_curved_field_keeps_its_value_and_its_least() -> None:
    """A quadratic is what the local surface can follow: exact, cusp and hollow alike."""
    gaps = 0.05 + 0.1 * (POINTS[:, 0] - 1.0) ** 2 + 0.2 * (POINTS[:, 1] + 2.0) ** 2
    found = smoothed(POINTS, UP, gaps)
    np.testing.assert_allclose(found.value_mm, gaps, atol=1e-6)
    nearest = closest(found.value_mm, AREA, ALL)
    assert nearest is not None
    half = (
        LEAST_MM2 * np.sqrt(0.1 * 0.2) / np.pi
    )  # of an elliptic bowl, the height at which it covers LEAST_MM2
    assert nearest.gap_mm == pytest.approx(0.05 + half, abs=0.01)
    np.testing.assert_allclose(POINTS[nearest.index, :2], [1.0, -2.0], atol=0.8)


def test_scatter_is_told_and_taken_off() -> None:
    rng = np.random.default_rng(4)
    found = smoothed(POINTS, UP, 0.03 + rng.normal(scale=0.02, size=len(POINTS)))
    assert found.scatter_mm == pytest.approx(0.02, rel=0.06)
    inner = np.abs(POINTS[:, :2]).max(axis=1) < 9.0
    off = found.value_mm[inner] - 0.03
    assert np.std(off) == pytest.approx(np.sqrt((found.sd_mm[inner] ** 2).mean()), rel=0.1)
    assert np.std(off) < 0.012


def test_single_points_do_not_decide() -> None:
    rng = np.random.default_rng(5)
    gaps = np.full(len(POINTS), 0.4) + rng.normal(scale=0.01, size=len(POINTS))
    gaps[rng.choice(len(gaps), 40, replace=False)] = -1.0
    nearest = closest(smoothed(POINTS, UP, gaps).value_mm, AREA, ALL)
    assert nearest is not None
    assert nearest.gap_mm == pytest.approx(0.4, abs=0.03)


def test_too_little_surface_has_no_least_gap() -> None:
    few = np.zeros(len(POINTS), dtype=bool)
    few[: int(LEAST_MM2 / 0.25**2) - 1] = True
    assert closest(np.zeros(len(POINTS)), AREA, few) is None
    assert closest(np.zeros(len(POINTS)), AREA, ALL).gap_mm == 0.0  # type: ignore[union-attr]


def test_contacts_are_counted_apart_with_their_areas() -> None:
    gaps = np.full(len(POINTS), 0.5)
    for at, radius in (((-5.0, 0.0), 1.0), ((5.0, 2.0), 2.0), ((0.0, -8.0), 0.3)):
        gaps[np.hypot(*(POINTS[:, :2] - at).T) <= radius] = 0.06
    found = contacts(POINTS, gaps, AREA, ALL)
    assert len(found) == 2
    assert [c.area_mm2 for c in found] == pytest.approx([4.0 * np.pi, np.pi], rel=0.05)
    np.testing.assert_allclose(found[0].middle, [5.0, 2.0, 0.0], atol=0.2)
    assert contacts(POINTS, gaps, AREA, POINTS[:, 0] < -20.0) == ()

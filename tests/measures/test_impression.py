"""How far what is said of a denture on its tissue can be trusted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from server.measures.denture_laid import ByImprints, Laid, Way, held_by_imprints
from server.measures.impression import BOTH_BENT_MM, u95_of_most_mm
from server.measures.imprints import CARRIED_MM
from server.metrology.impression.differences import Differences

SQUARE = np.array([(x, y, 0.0) for x in (-10.0, 10.0) for y in (-10.0, 10.0)])


def _flat(n: int) -> Differences:
    at = np.column_stack([np.linspace(-30.0, 30.0, n), np.zeros(n), np.zeros(n)])
    return Differences(at, np.tile((0.0, 0.0, 1.0), (n, 1)), np.zeros(n), 1.0, 1.0)


def test_the_largest_of_many_places_is_held_with_95_per_cent() -> None:
    """Scatter alone, at 300 places: the largest of them lies within its U95 in 95 of 100 draws (Šidák 1967), within that of
    a place not chosen in none."""
    still = Way(Laid.JOINT, np.eye(4), None)
    u95 = u95_of_most_mm(still, _flat(300), [0], 300)[0]
    most = np.abs(np.random.default_rng(3).normal(scale=BOTH_BENT_MM, size=(2000, 300))).max(axis=1)
    assert np.mean(most <= u95) == pytest.approx(0.95, abs=0.015)  # 3 standard errors of 2000 draws
    assert u95_of_most_mm(still, _flat(300), [0], 1)[0] == pytest.approx(stats.norm.isf(0.025) * BOTH_BENT_MM)


def test_a_denture_on_its_imprints_is_held_the_worse_the_farther_from_them() -> None:
    """Four on a square of 20 mm, each to s = 0.03 mm on both sides: a shift has s √(2/4), a turn about x or y s √2 over the
    root of the sum of squared arms, √(4 · 10²) = 20 mm. Closed form of the rigid fit of points."""
    s = 0.03
    way = Way(Laid.IMPRINTS, np.eye(4), held_by_imprints(SQUARE, s))
    shift, turn = s * np.sqrt(2.0 / 4.0), s * np.sqrt(2.0) / 20.0
    at = np.array([(0.0, 0.0, 0.0), (0.0, 40.0, 0.0)])
    up = np.tile((0.0, 0.0, 1.0), (2, 1))
    assert way.sigma_mm(at, up) == pytest.approx([shift, np.hypot(shift, 40.0 * turn)])


def test_imprints_that_agree_by_chance_are_not_held_to_nothing() -> None:
    way = Way(Laid.IMPRINTS, np.eye(4), held_by_imprints(SQUARE, 0.0))
    centre, up = np.zeros((1, 3)), np.array([(0.0, 0.0, 1.0)])
    assert way.sigma_mm(centre, up) == pytest.approx([CARRIED_MM * np.sqrt(2.0 / 4.0)])
    assert ByImprints().certainty is None

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from server.metrology.bite.departure import departure, references
from server.metrology.registration.certainty import Certainty
from server.metrology.registration.joining import Relation
from server.metrology.rigid import small_motion
from tests.metrology.registration.landscapes import frame

Floats = NDArray[np.float64]
LEFT, FRONT, UP = np.eye(3)
FAR = np.array([40.0, 0.0, 0.0])


def known(T: Floats, sd_mm: float = 0.005, sd_rad: float = 1e-4) -> Relation:
    covariance = np.diag([sd_rad**2] * 3 + [sd_mm**2] * 3)
    return Relation(T, Certainty(covariance, np.zeros(3), 10_000, 20.0, np.zeros((0, 6))))


def moved(*motion: float) -> Floats:
    return small_motion(np.array(motion))


def test_a_shift_and_a_turn_are_told_along_their_directions() -> None:
    base = frame(4)
    made = departure(known(moved(0.0, 0.0, np.radians(1.0), 0.0, 0.3, 0.0) @ base), known(base))
    np.testing.assert_allclose(made.shift_mm(np.zeros(3)), [0.0, 0.3, 0.0], atol=1e-12)
    assert made.along(FAR, FRONT).size == pytest.approx(0.3 + 40.0 * np.sin(np.radians(1.0)), abs=1e-9)
    assert made.tilt_deg.size == pytest.approx(1.0, abs=1e-4)
    assert made.about(UP).size == pytest.approx(1.0, abs=1e-9)
    assert made.about(LEFT).size == pytest.approx(0.0, abs=1e-9)


def test_its_uncertainty_is_that_of_both_and_grows_with_the_way() -> None:
    """In closed form: sd² = 2 · (0.005² + (40 · 1e-4)²), and no arm acts along the way itself."""
    made = departure(known(np.eye(4)), known(np.eye(4)))
    assert made.along(np.zeros(3), UP).u95 == pytest.approx(1.96 * np.sqrt(2.0) * 0.005, rel=1e-3)
    assert made.along(FAR, UP).u95 == pytest.approx(1.96 * np.sqrt(2.0) * np.hypot(0.005, 0.004), rel=1e-3)
    assert made.along(FAR, LEFT).u95 == pytest.approx(made.along(np.zeros(3), LEFT).u95)
    assert made.about(FRONT).u95 == pytest.approx(np.degrees(1.96 * np.sqrt(2.0) * 1e-4), rel=1e-3)


def test_scatter_adds_nothing_to_a_length() -> None:
    """Over many draws about 0.05 mm, the mean of the squares is right once scatter is taken off."""
    rng = np.random.default_rng(3)
    sizes = []
    for step in rng.normal(scale=0.02, size=(4000, 3)):
        T = moved(0.0, 0.0, 0.0, *(step + np.array([0.05, 0.0, 0.0])))
        sizes.append(
            departure(known(T, sd_mm=0.02, sd_rad=1e-9), known(np.eye(4), 1e-9, 1e-9))
            .size_mm(np.zeros(3))
            .size
        )
    assert float(np.mean(np.square(sizes))) == pytest.approx(0.05**2, rel=0.06)


def test_two_are_held_against_each_other_and_the_odd_one_of_three_is_left_out() -> None:
    near = [known(moved(0.0, 0.0, 0.0, x, 0.0, 0.0)) for x in (0.0, 0.01, 0.005)]
    far = known(moved(0.0, 0.0, 0.0, 0.4, 0.0, 0.0))
    assert references(near[:1]) == [()]
    assert references(near[:2]) == [(1,), (0,)]
    assert references(near) == [(1, 2), (0, 2), (0, 1)]
    assert references([near[0], far, near[1]]) == [(2,), (0, 2), (0,)]

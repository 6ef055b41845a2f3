"""The uncertainty of a way along an axis, where it can be written down."""

from __future__ import annotations

import numpy as np
import pytest

from server.metrology.registration.certainty import Certainty
from server.metrology.space.axis_rays import first_met
from server.metrology.space.trials import Aim, drawn_rays, length_u95_mm
from tests.metrology.shapes import scan_of
from tests.metrology.space.solids import UP, surface

FLOOR = np.array([(-60.0, -60.0, 10.0), (60.0, -60.0, 10.0), (0.0, 90.0, 10.0)])
STILL = Certainty(np.zeros((6, 6)), np.zeros(3), 1_000_000, 1.0, np.zeros((0, 6)))


def u95(
    seat_mm: float = 0.0, axis_rad: float = 0.0, other: Certainty = STILL, scatter_mm: float = 0.0
) -> float | None:
    """Of the way to a plane 10 mm above, which looks down."""
    plane = surface(scan_of(FLOOR, np.array([[0, 2, 1]])))
    rays = drawn_rays(Aim(np.zeros(3), UP, seat_mm, axis_rad), other)
    assert rays is not None
    met = first_met(plane, rays.origins, rays.directions)
    assert met.way_mm[0] == pytest.approx(10.0)
    return length_u95_mm(met.way_mm, np.full(len(rays.origins), 1.0), scatter_mm)


def test_each_part_comes_to_what_it_must() -> None:
    """1.96 standard deviations of a normal scatter, from 160 draws: to a fifth. A tilt lengthens the way in second order only."""
    assert u95(seat_mm=0.02) == pytest.approx(1.96 * 0.02, rel=0.2)
    assert u95(scatter_mm=0.03) == pytest.approx(1.96 * 0.03, rel=0.2)
    lifted = Certainty(
        np.diag([0.0, 0.0, 0.0, 0.0, 0.0, 0.05**2]), np.zeros(3), 1_000_000, 1.0, np.zeros((0, 6))
    )
    assert u95(other=lifted) == pytest.approx(1.96 * 0.05, rel=0.2)
    tilted = u95(axis_rad=0.01)
    assert tilted is not None
    assert tilted < 0.01


def test_few_patches_make_it_wider() -> None:
    few = Certainty(np.diag([0.0] * 5 + [0.05**2]), np.zeros(3), 4, 1.0, np.zeros((0, 6)))
    assert u95(other=few) == pytest.approx(2.776 * 0.05, rel=0.2)


def test_nothing_is_said_where_nothing_holds_the_other_or_the_axis_misses() -> None:
    loose = Certainty(np.zeros((6, 6)), np.zeros(3), 10, 1.0, np.eye(6)[:1])
    assert drawn_rays(Aim(np.zeros(3), UP, 0.0, 0.0), loose) is None
    assert length_u95_mm(np.array([np.nan, 1.0]), np.ones(2), 0.0) is None
    assert length_u95_mm(np.array([1.0, *([np.nan] * 5), 1.0]), np.ones(7), 0.0) is None

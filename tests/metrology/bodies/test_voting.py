from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from server.metrology.bodies.cells import CELL_MM, Cells, grid_keys, thinned
from server.metrology.bodies.voting import AxisGuess, axis_guesses
from server.metrology.rigid import apply, small_motion, turn
from tests.metrology.bodies.scenes import Floats

POSE = small_motion(np.array([0.5, -0.3, 0.2, 40.0, -20.0, 6.0]))


def cells_of(points: Floats, normals: Floats, area_mm2: float) -> Cells:
    return thinned(apply(POSE, points), turn(POSE, normals), np.full(len(points), area_mm2 / len(points)))


def wall(radius: float, height: float, arc_deg: float = 360.0, sigma_mm: float = 0.0) -> Cells:
    rng = np.random.default_rng(1)
    n = int(30 * radius * np.radians(arc_deg) * height)
    angle, z = np.radians(rng.uniform(0.0, arc_deg, n)), rng.uniform(0.0, height, n)
    normals = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(n)])
    points = (radius + sigma_mm * rng.standard_normal(n))[:, None] * normals + np.column_stack(
        [0 * z, 0 * z, z]
    )
    return cells_of(points, normals, radius * np.radians(arc_deg) * height)


def guesses(cells: Cells, radius: float) -> list[AxisGuess]:
    return axis_guesses(cells, cKDTree(cells.points), radius, 10)


def aside_mm(guess: AxisGuess) -> float:
    """Distance of the guess from the true axis, which is z of POSE."""
    offset = guess.point_mm - POSE[:3, 3]
    return float(np.linalg.norm(np.cross(offset, POSE[:3, 2])))


@pytest.mark.parametrize(("arc_deg", "sigma_mm"), [(360.0, 0.0), (360.0, 0.03), (180.0, 0.015), (120.0, 0.0)])
def test_a_cylinder_votes_for_its_axis(arc_deg: float, sigma_mm: float) -> None:
    best = guesses(wall(1.9, 4.0, arc_deg, sigma_mm), 1.9)[0]
    assert aside_mm(best) < 0.05
    assert abs(best.direction @ POSE[:3, 2]) > np.cos(np.radians(2.0))
    assert best.votes_mm2 == pytest.approx(1.9 * np.radians(arc_deg) * 4.0, rel=0.08)


def test_another_radius_gets_fewer_votes() -> None:
    """Moved inward by 0.6 mm too little the votes lie on a circle of 0.6 mm about the axis, out of its reach."""
    right = guesses(wall(1.9, 4.0), 1.9)[0].votes_mm2
    wrong = max((g.votes_mm2 for g in guesses(wall(1.9, 4.0), 1.3)), default=0.0)
    assert wrong < 0.35 * right


def test_a_ridge_gives_little() -> None:
    """A gentle ridge, 8 mm in radius, has no axis of 2 mm."""
    rng = np.random.default_rng(2)
    angle, y = rng.uniform(-0.9, 0.9, 20_000), rng.uniform(-20.0, 20.0, 20_000)
    normals = np.column_stack([np.sin(angle), 0.0 * y, np.cos(angle)])
    cells = cells_of(8.0 * normals + np.column_stack([0.0 * y, y, 0.0 * y]), normals, 8.0 * 1.8 * 40.0)
    assert max((g.votes_mm2 for g in guesses(cells, 2.0)), default=0.0) < 0.1 * 2.0 * 2.0 * np.pi * 4.0


def test_a_plane_votes_for_nothing() -> None:
    points = np.column_stack([np.random.default_rng(3).uniform(0.0, 30.0, (20_000, 2)), np.zeros(20_000)])
    cells = cells_of(points, np.tile([0.0, 0.0, 1.0], (20_000, 1)), 900.0)
    assert guesses(cells, 2.0) == []


def test_two_cylinders_have_two_axes() -> None:
    a = wall(1.9, 4.0)
    shifted = a.points + 7.0 * POSE[:3, 0]
    both = Cells(
        np.concatenate([a.points, shifted]),
        np.concatenate([a.normals, a.normals]),
        np.concatenate([a.areas_mm2, a.areas_mm2]),
    )
    found = guesses(both, 1.9)[:2]
    assert sorted(round(aside_mm(g)) for g in found) == [0, 7]


def test_nothing_gives_nothing() -> None:
    none = np.zeros((0, 3))
    assert axis_guesses(Cells(none, none, np.zeros(0)), cKDTree(np.zeros((1, 3))), 2.0, 5) == []


def test_cells_keep_area_and_are_means() -> None:
    points = np.array([[0.0, 0.0, 0.0], [0.1, 0.0, 0.0], [5.0, 0.0, 0.0]])
    normals = np.array([[0.0, 0.0, 1.0], [0.0, 0.6, 0.8], [1.0, 0.0, 0.0]])
    cells = thinned(points, normals, np.array([1.0, 1.0, 3.0]))
    order = np.argsort(cells.points[:, 0])
    np.testing.assert_allclose(cells.points[order], [[0.05, 0.0, 0.0], [5.0, 0.0, 0.0]])
    np.testing.assert_allclose(cells.areas_mm2[order], [2.0, 3.0])
    np.testing.assert_allclose(cells.normals[order][0], np.array([0.0, 0.3, 0.9]) / np.hypot(0.3, 0.9))


def test_cells_whose_normals_cancel_are_left_out() -> None:
    points = np.array([[0.0, 0.0, 0.0], [0.1, 0.0, 0.0]])
    normals = np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]])
    assert len(thinned(points, normals, np.ones(2)).points) == 0


def test_keys_tell_neighbouring_cells_apart() -> None:
    points = np.array(
        [[0.0, 0.0, 0.0], [CELL_MM * 1.1, 0.0, 0.0], [0.0, CELL_MM * 1.1, 0.0], [0.01, 0.01, 0.01]]
    )
    keys = grid_keys(points, CELL_MM)
    assert keys[0] == keys[3]
    assert len(set(keys.tolist())) == 3

from __future__ import annotations

import numpy as np
import pytest

from server.metrology.bite.distances import distances_to
from server.metrology.bite.pressed import pressed
from server.metrology.scan import Scan
from tests.metrology.bite.plates import cap_area_mm2, lens_volume_mm3, plate
from tests.metrology.registration.landscapes import surface
from tests.metrology.shapes import sphere

UP = np.array([0.0, 0.0, 1.0])


def of_plates(gap_mm: float) -> tuple[float, float]:
    lower, upper = plate(5.0, 0.0), surface(plate(8.0, gap_mm, looks_down=True))
    gaps = distances_to(upper, lower.vertices, np.tile(UP, (lower.n_vertices, 1)), 2.0).gap_mm
    found = pressed(lower.vertices, lower.faces, gaps, upper.tree, UP)
    return found.area_mm2, found.volume_mm3


def test_plates_inside_each_other_share_area_times_depth() -> None:
    assert of_plates(-0.3) == pytest.approx((100.0, 30.0), abs=1e-9)
    assert of_plates(0.2) == (0.0, 0.0)


def test_a_tilted_plate_is_cut_where_it_passes_through() -> None:
    """Of a plate tilted by arctan(0.1) about its middle, half lies inside: a wedge of 10 x 5 mm, half a millimetre high."""
    lower, upper = plate(5.0, 0.0), surface(plate(8.0, 0.0, looks_down=True))
    points = lower.vertices + 0.1 * (lower.vertices[:, :1] - 0.03) * UP
    normals = np.tile(np.array([-0.1, 0.0, 1.0]) / np.hypot(0.1, 1.0), (len(points), 1))
    gaps = distances_to(upper, points, normals, 2.0).gap_mm
    found = pressed(points, lower.faces, gaps, upper.tree, UP)
    assert found.area_mm2 == pytest.approx(10.0 * 4.97 * np.hypot(0.1, 1.0), abs=1e-9)
    assert found.volume_mm3 == pytest.approx(10.0 * 4.97**2 * 0.1 / 2.0, abs=1e-9)


def test_two_spheres_share_a_lens() -> None:
    """To the share by which meshes of this fineness fall short of spheres: about edge²/8R over the cap's height."""
    radius, apart = 4.0, 7.0
    low, high = sphere(radius, 6), sphere(radius, 6)
    high = Scan(high.vertices + apart * UP, high.faces)
    normals = low.vertices / radius
    other = surface(high)
    gaps = distances_to(other, low.vertices, normals, 2.0).gap_mm
    found = pressed(low.vertices, low.faces, gaps, other.tree, UP)
    assert found.area_mm2 == pytest.approx(cap_area_mm2(radius, apart), rel=0.01)
    assert found.volume_mm3 == pytest.approx(lens_volume_mm3(radius, apart), rel=0.01)

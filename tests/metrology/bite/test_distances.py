"""Signed distances against closed forms and against a general library, libigl."""

from __future__ import annotations

import igl
import numpy as np
import pytest

from server.metrology.bite.distances import distances_to, main_vertices
from server.metrology.scan import Scan
from tests.metrology.bite.plates import plate
from tests.metrology.registration.landscapes import hills, meshed, surface
from tests.metrology.shapes import joined, moved, sphere


@pytest.mark.parametrize("gap_mm", [0.7, 0.0, -0.3])
def test_between_two_plates_the_distance_is_their_gap(gap_mm: float) -> None:
    lower, upper = plate(5.0, 0.0), plate(8.0, gap_mm, looks_down=True)
    up = np.tile([0.0, 0.0, 1.0], (lower.n_vertices, 1))
    found = distances_to(surface(upper), lower.vertices, up, 2.0)
    assert found.faces.all()
    np.testing.assert_allclose(found.gap_mm, gap_mm, atol=1e-12)
    np.testing.assert_allclose(found.toward, [[0.0, 0.0, -1.0]] * lower.n_vertices, atol=1e-12)


def test_what_looks_the_same_way_or_lies_past_a_border_or_out_of_reach_does_not_face_it() -> None:
    lower = plate(8.0, 0.0)
    up = np.tile([0.0, 0.0, 1.0], (lower.n_vertices, 1))
    for upper, reach_mm in ((plate(8.0, 1.0), 2.0), (plate(8.0, 1.0, looks_down=True), 0.9)):
        found = distances_to(surface(upper), lower.vertices, up, reach_mm)
        assert not found.faces.any()
        assert np.isnan(found.gap_mm).all()
    small = distances_to(surface(plate(4.0, 1.0, looks_down=True)), lower.vertices, up, 2.0)
    beyond = np.abs(lower.vertices[:, :2]).max(axis=1) > 4.0
    assert not small.faces[beyond].any()
    assert small.faces[np.abs(lower.vertices[:, :2]).max(axis=1) < 3.4].all()


def test_a_loose_flake_is_no_part_of_a_jaw() -> None:
    upper = joined(plate(8.0, 2.0, looks_down=True), plate(0.5, 0.2, looks_down=True))
    lower = plate(0.5, 0.0)
    found = distances_to(surface(upper), lower.vertices, np.tile([0.0, 0.0, 1.0], (lower.n_vertices, 1)), 3.0)
    assert not found.faces.any()
    assert main_vertices(surface(upper)).sum() == 29 * 29


def test_distances_agree_with_a_general_library_to_a_micrometre() -> None:
    scan = moved(sphere(9.0, 4))
    rng = np.random.default_rng(2)
    centre = scan.vertices.mean(axis=0)
    out = rng.normal(size=(4000, 3))
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    points = centre + out * rng.uniform(7.5, 10.5, (4000, 1))
    found = distances_to(surface(scan), points, -out, 5.0)
    oracle, *_ = igl.signed_distance(
        points,
        scan.vertices,
        scan.faces.astype(np.int64),
        sign_type=igl.SignedDistanceType.SIGNED_DISTANCE_TYPE_PSEUDONORMAL,
    )
    assert found.faces.all()
    np.testing.assert_allclose(found.gap_mm, oracle, atol=1e-6)


def test_on_a_landscape_too() -> None:
    ground = meshed(hills(5), 1)
    over = meshed(lambda x, y: hills(5)(x, y) + 0.4 + 0.3 * np.sin(x), 2, half_mm=(20.0, 14.0))
    up = np.tile([0.0, 0.0, 1.0], (over.n_vertices, 1))
    target = Scan(ground.vertices, np.ascontiguousarray(ground.faces))
    found = distances_to(surface(target), over.vertices, -up, 3.0)
    squared, *_ = igl.point_mesh_squared_distance(
        over.vertices, target.vertices, target.faces.astype(np.int64)
    )
    assert found.faces.sum() > 0.9 * over.n_vertices
    np.testing.assert_allclose(np.abs(found.gap_mm[found.faces]), np.sqrt(squared)[found.faces], atol=1e-6)

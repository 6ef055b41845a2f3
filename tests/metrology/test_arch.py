from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from server.metrology.arch import arch_frame, occlusal_direction
from server.metrology.rigid import apply, small_motion, turn
from server.metrology.scan import Scan
from server.metrology.topology import topology_of

Floats = NDArray[np.float64]
FRAMES = [
    small_motion(np.array(v))
    for v in ((0.0, 0, 0, 0, 0, 0), (1.1, -0.4, 2.0, 60, -20, 5), (-2.2, 0.9, -0.6, -8, 90, 33))
]


def jaw(*, palate: bool, one_side: bool = False) -> Scan:
    """A height field whose crest is a parabola, the front toward +y and the bite toward +z; with a vault between the
    ridges for an upper jaw."""
    step = 0.8
    x, y = np.meshgrid(np.arange(-34, 34, step), np.arange(-12, 50, step), indexing="ij")
    bow = np.linspace(-27, 27, 400)
    curve = np.column_stack([bow, 40.0 - bow**2 / 18.0])
    d = np.min(np.hypot(x[..., None] - curve[:, 0], y[..., None] - curve[:, 1]), axis=2)
    inner = (y < 40.0 - x**2 / 18.0) & (np.abs(x) < 26)
    z = 11.0 * np.exp(-((d / 5.0) ** 2)) + np.where(inner & palate, -3.0, 0.0)
    keep = (d < 9.0) | (inner & palate & (y > 0))
    if one_side:
        keep &= (x > 8.0) & (y < 30.0)
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, e = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, e], -1).reshape(-1, 3)])
    faces = faces[keep.ravel()[faces].all(axis=1)]
    used, flat = np.unique(faces, return_inverse=True)
    points = np.column_stack([x.ravel(), y.ravel(), z.ravel()])[used]
    return Scan(points, flat.reshape(-1, 3).astype(np.int32))


def moved(scan: Scan, T: Floats) -> Scan:
    return Scan(apply(T, scan.vertices), scan.faces)


@pytest.mark.parametrize("T", FRAMES)
@pytest.mark.parametrize("palate", [False, True])
def test_front_and_bite_are_found_in_any_frame(T: Floats, palate: bool) -> None:
    topology = topology_of(moved(jaw(palate=palate), T))
    occlusal = occlusal_direction(topology.normals, topology.areas_mm2)
    assert occlusal is not None
    frame = arch_frame(topology.scan.vertices, occlusal)
    assert frame is not None
    up, front = turn(T, np.array([[0.0, 0, 1], [0, 1, 0]]))
    assert frame.occlusal @ up > np.cos(np.radians(10))
    assert frame.front @ front > np.cos(np.radians(10))
    assert frame.is_front_sure
    assert frame.width_mm == pytest.approx(60, abs=12)


def test_left_is_left_on_both_jaws() -> None:
    topology = topology_of(jaw(palate=False))
    frame = arch_frame(topology.scan.vertices, np.array([0.0, 0.0, 1.0]))
    assert frame is not None
    # a lower jaw bites upward: front +y, up +z, so the patient's left is z x y = -x
    assert frame.patients_left(is_upper=False) @ [-1.0, 0, 0] > 0.99
    assert frame.patients_left(is_upper=True) @ [1.0, 0, 0] > 0.99


def test_places_along_the_arch_run_from_the_midline() -> None:
    frame = arch_frame(jaw(palate=False).vertices, np.array([0.0, 0.0, 1.0]))
    assert frame is not None
    x = np.array([0.0, 10.0, -10.0, 20.0])
    points = np.column_stack([x, 40.0 - x**2 / 18.0, np.full(4, 11.0)])
    s = frame.along_mm(points) * np.sign(frame.side[0])
    grid = np.linspace(0.0, 20.0, 2001)
    exact = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(grid), np.diff(grid**2 / 18.0)))])
    assert s == pytest.approx(
        [0.0, np.interp(10, grid, exact), -np.interp(10, grid, exact), exact[-1]], abs=1.5
    )


def test_half_a_jaw_has_no_sure_front() -> None:
    frame = arch_frame(jaw(palate=False, one_side=True).vertices, np.array([0.0, 0.0, 1.0]))
    assert frame is None or not frame.is_front_sure


def test_a_closed_surface_faces_nowhere_on_the_whole() -> None:
    normals = np.array([[1.0, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0]])
    assert occlusal_direction(normals, np.ones(4)) is None


def test_a_few_points_are_no_arch() -> None:
    assert arch_frame(np.eye(3), np.array([0.0, 0.0, 1.0])) is None

"""Surfaces drawn in greys, against closed forms and against rays cast by libigl."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh

from server.explain.shading import PAPER, Eye, shaded
from server.metrology.rigid import small_motion

Floats = np.ndarray
FRONT = Eye(*np.eye(3), np.zeros(3), 20.0)


def ball(radius: float, middle: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> tuple[Floats, Floats]:
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=radius)
    return np.array(mesh.vertices) + middle, np.array(mesh.faces, dtype=np.int32)


def test_a_ball_covers_its_disc() -> None:
    greys = shaded(*ball(6.0), FRONT, 200, 200)
    covered = np.count_nonzero(greys != PAPER)
    assert covered == pytest.approx(np.pi * 60.0**2, rel=0.02)
    assert greys[100, 100] != PAPER
    assert (greys[:38] == PAPER).all()
    assert (greys[:, :38] == PAPER).all()


def test_it_is_lit_from_the_upper_left_and_what_is_near_hides_what_is_far() -> None:
    greys = shaded(*ball(6.0), FRONT, 200, 200).astype(int)
    assert greys[70, 70] > greys[130, 130] + 60
    far, near = ball(6.0, (0.0, 0.0, -9.0)), ball(2.0, (0.0, 0.0, 9.0))
    both = np.vstack([far[0], near[0]]), np.vstack([far[1], near[1] + len(far[0])]).astype(np.int32)
    drawn, alone = shaded(*both, FRONT, 200, 200), shaded(*near, FRONT, 200, 200)
    inner = np.hypot(*(np.indices((200, 200)) - 99.5)) < 17.0
    assert np.array_equal(drawn[inner], alone[inner])


def test_the_back_of_a_surface_is_darker() -> None:
    points = np.array([(-5.0, -5, 0), (5, -5, 0), (5, 5, 0), (-5, 5, 0)])
    faces = np.array([(0, 1, 2), (0, 2, 3)], dtype=np.int32)
    front = shaded(points, faces, FRONT, 40, 40)
    back = shaded(points, np.ascontiguousarray(faces[:, ::-1]), FRONT, 40, 40)
    assert back[20, 20] < 0.7 * front[20, 20]


def test_where_rays_meet_the_surface_there_is_ink_and_nowhere_else() -> None:
    """Against libigl's rays, one through the middle of each pixel; along edges a pixel is shared out."""
    mesh = trimesh.creation.torus(major_radius=6.0, minor_radius=2.2)
    turn = small_motion(np.array([0.6, 0.3, 0.2, 0.0, 0.0, 0.0]))[:3, :3]
    eye = Eye(turn[0], turn[1], turn[2], np.array([0.4, -0.3, 0.2]), 22.0)
    n = 60
    greys = shaded(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int32), eye, n, n)
    step = (np.arange(n) + 0.5) / n - 0.5
    right, up = np.meshgrid(step * 22.0, -step * 22.0)
    starts = eye.centre_mm + right.reshape(-1, 1) * eye.right + up.reshape(-1, 1) * eye.up + 30.0 * eye.toward
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)
    met = [len(igl.ray_mesh_intersect(start, -eye.toward, vertices, faces)) > 0 for start in starts]
    meets = np.array(met).reshape(n, n)
    around = np.stack([np.roll(meets, (dj, di), (0, 1)) for dj in (-1, 0, 1) for di in (-1, 0, 1)])
    assert (greys[around.all(axis=0)] != PAPER).all()
    assert (greys[~around.any(axis=0)] == PAPER).all()
    assert 300 < np.count_nonzero(meets) < 2400

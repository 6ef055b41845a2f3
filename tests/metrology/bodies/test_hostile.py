"""What no scan should be, and yet arrives: the search gives an answer, soon, and invents nothing."""

from __future__ import annotations

import time
from functools import cache

import numpy as np
import pytest

from server.metrology.bodies.finding import Surface, find_bodies
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.scan import Scan
from tests.metrology.bodies.scenes import KINDS, SHORT, STEPPED, Floats, reference, scene, surface_of


@cache
def catalogue() -> tuple[ReferenceBody, ...]:
    return tuple(reference(kind) for kind in KINDS.values())


def sheet(n: int, size_mm: float, height: Floats | float = 0.0) -> Surface:
    """A square of 2 (n - 1)² facets, facing up."""
    x, y = np.meshgrid(np.linspace(0.0, size_mm, n), np.linspace(0.0, size_mm, n), indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), np.broadcast_to(height, n * n)])
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.concatenate([np.stack([a, a + n, a + n + 1], 1), np.stack([a, a + n + 1, a + 1], 1)])
    return surface_of(Scan(points, faces.astype(np.int32)))


def empty() -> Surface:
    return Surface(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros((0, 3), dtype=np.int32))


def one_point_many_times() -> Surface:
    return Surface(
        np.full((5_000, 3), 7.0),
        np.tile([0.0, 0.0, 1.0], (5_000, 1)),
        np.full(5_000, 0.1),
        np.zeros((0, 3), dtype=np.int32),
    )


def dust() -> Surface:
    """Points and normals at random: no surface at all."""
    rng = np.random.default_rng(3)
    normals = rng.standard_normal((20_000, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    faces = rng.integers(0, 20_000, (20_000, 3)).astype(np.int32)
    return Surface(rng.uniform(0.0, 40.0, (20_000, 3)), normals, np.full(20_000, 0.05), faces)


HOSTILE = {
    "empty": empty,
    "one facet": lambda: surface_of(Scan(np.eye(3), np.array([[0, 1, 2]], dtype=np.int32))),
    "one point many times": one_point_many_times,
    "without normals": lambda: Surface(
        np.random.default_rng(1).uniform(0.0, 9.0, (900, 3)),
        np.zeros((900, 3)),
        np.ones(900),
        sheet(30, 9.0).faces,
    ),
    "a plane": lambda: sheet(120, 36.0),
    "a kilometre wide": lambda: sheet(120, 1e6),
    "a needle": lambda: sheet(60, 0.002),
    "rough": lambda: sheet(120, 30.0, np.random.default_rng(2).uniform(0.0, 1.0, 120 * 120)),
    "dust": dust,
}


@pytest.mark.parametrize("name", HOSTILE)
def test_an_answer_that_invents_nothing(name: str) -> None:
    assert find_bodies(HOSTILE[name](), catalogue(), 6) == []


def test_no_kinds_no_bodies() -> None:
    assert find_bodies(sheet(60, 18.0), (), 6) == []


def test_a_body_is_found_beside_points_a_kilometre_away() -> None:
    made = scene([(SHORT, (0.0, 0.0), 15.0)])
    far = Scan(
        np.array([[1e6, 0.0, 0.0], [1e6, 1.0, 0.0], [1e6, 0.0, 1.0]]), np.array([[0, 1, 2]], dtype=np.int32)
    )
    points = np.concatenate([made.surface.points, far.vertices])
    faces = np.concatenate([made.surface.faces, far.faces + len(made.surface.points)])
    (body,) = find_bodies(surface_of(Scan(points, faces.astype(np.int32))), catalogue(), 1)
    assert body.body == "short"
    assert np.linalg.norm(body.seat_mm - made.poses[0][1][:3, 3]) < 0.01


def test_a_mirrored_body_stands_where_it_stands() -> None:
    """Turned shapes with one flat are their own mirror images: the axis and seat hold."""
    made = scene([(STEPPED, (0.0, 0.0), 10.0)])
    mirror = np.array([-1.0, 1.0, 1.0])
    faces = np.ascontiguousarray(made.surface.faces[:, ::-1])
    (body,) = find_bodies(surface_of(Scan(made.surface.points * mirror, faces)), catalogue(), 1)
    assert np.linalg.norm(body.seat_mm - made.poses[0][1][:3, 3] * mirror) < 0.01


def seconds(surface: Surface) -> float:
    begun = time.process_time()
    find_bodies(surface, catalogue(), 6)
    return time.process_time() - begun


def test_the_time_grows_with_the_scan_and_not_with_its_square() -> None:
    """A sheet of 16 times the facets at the same spacing: 16 times the cells. A quadratic step would take 256 times."""
    find_bodies(sheet(100, 30.0), catalogue(), 6)
    small, large = (min(seconds(sheet(n, 0.3 * n)) for _ in range(2)) for n in (150, 600))
    assert large < 40.0 * max(small, 0.01)

"""Ways to surfaces given by a formula whose points scatter."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, turn
from server.metrology.scan import Scan
from server.metrology.space.axis_rays import first_met
from server.metrology.space.fitted_place import way_to_fitted
from tests.metrology.registration.landscapes import frame
from tests.metrology.space.solids import surface

Floats = NDArray[np.float64]
Height = Callable[[Floats, Floats], Floats]
SCATTER_MM = 0.02
UP = np.array([0.0, 0.0, 1.0])


def _cusp(x: Floats, y: Floats) -> Floats:
    """A sphere of 2.5 mm radius."""
    return np.asarray(np.sqrt(np.maximum(2.5**2 - x * x - y * y, 0.04)))


def _edge(x: Floats, _y: Floats) -> Floats:
    """A roof with sides of 55 degrees."""
    return np.asarray(1.4 - 1.4 * np.abs(x))


def _scanned(height: Height, seed: int, T: Floats) -> Surface:
    """Points 0.35 mm apart, scattered along z, looking down."""
    axis = np.arange(-2.2, 2.2, 0.35) + np.random.default_rng(seed).uniform(0.0, 0.35)
    x, y = np.meshgrid(axis, axis, indexing="ij")
    points = np.stack([x, y, -height(x, y)], axis=-1).reshape(-1, 3)
    points[:, 2] += np.random.default_rng(seed + 100).normal(scale=SCATTER_MM, size=len(points))
    n = len(axis)
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)[None]).ravel()
    faces = np.concatenate([np.stack([a, a + n + 1, a + n], 1), np.stack([a, a + 1, a + n + 1], 1)])
    return surface(Scan(apply(T, points), faces.astype(np.int32)))


def _ways(height: Height, at: Floats, T: Floats | None = None) -> Floats:
    """(60, 2) errors along z over a place, on the facet and on the fitted surface."""
    to = np.eye(4) if T is None else T
    true = 10.0 - height(at[:1], at[1:])[0]
    errors = []
    for seed in range(60):
        scanned = _scanned(height, seed, to)
        origin, way = apply(to, np.array([[at[0], at[1], -10.0]])), turn(to, UP[None])
        met = float(first_met(scanned, origin, way).way_mm[0])
        fitted = way_to_fitted(scanned, origin[0], way[0], met, SCATTER_MM)
        errors.append((met - true, fitted - true))
    return np.array(errors)


@pytest.mark.parametrize("x", [0.0, 0.9, 1.4])
def test_scatter_is_taken_off_on_the_slope_of_a_cusp(x: float) -> None:
    facet, fitted = np.sqrt((_ways(_cusp, np.array([x, 0.2])) ** 2).mean(axis=0))
    assert fitted < 0.75 * facet
    assert fitted < SCATTER_MM


@pytest.mark.parametrize("x", [0.0, 0.3])
def test_beside_an_edge_the_facet_stands(x: float) -> None:
    """A curved surface fitted across an edge would round it, or lean on the other side."""
    facet, fitted = np.sqrt((_ways(_edge, np.array([x, 0.2])) ** 2).mean(axis=0))
    assert fitted == pytest.approx(facet, rel=0.02)


def test_nothing_hangs_on_the_frame() -> None:
    at = np.array([0.9, 0.2])
    np.testing.assert_allclose(_ways(_cusp, at, frame(4)), _ways(_cusp, at), atol=1e-6)


def test_without_enough_points_the_facet_stands() -> None:
    flat = surface(
        Scan(
            np.array([(-5.0, -5.0, 0.0), (0.0, 5.0, 0.0), (5.0, -5.0, 0.0)]), np.array([(0, 1, 2)], np.int32)
        )
    )
    assert way_to_fitted(flat, np.array([0.0, 0.0, -3.0]), UP, 3.0, SCATTER_MM) == 3.0

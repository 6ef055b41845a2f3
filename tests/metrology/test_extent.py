from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.distance import pdist
from scipy.spatial.transform import Rotation

from server.metrology.extent import extent_of, float32_step


def _arch(n: int, rng: np.random.Generator) -> np.ndarray:
    """Points on the arch form of Braun, Hnat, Fender & Legan 1998 (equation from memory), 50 wide, 40 deep,
    with a height and a thickness."""
    x = rng.uniform(-25.0, 25.0, n)
    y = 3.0314 * 40.0 * (x / 50.0 + 0.5) ** 0.8 * (0.5 - x / 50.0) ** 0.8
    return np.column_stack([x, y, rng.uniform(0.0, 9.0, n)]) + rng.normal(0.0, 2.0, (n, 3))


@pytest.mark.parametrize("seed", range(12))
def test_the_span_is_the_diameter_in_any_frame(seed: int) -> None:
    """Oracle: all pairs. Never larger; within 1 %."""
    rng = np.random.default_rng(seed)
    points = Rotation.random(random_state=seed).apply(_arch(700, rng)) + rng.uniform(-300, 300, 3)
    true_span = pdist(points).max()
    span = extent_of(points).span
    assert true_span * 0.99 <= span <= true_span + 1e-9


def test_box_centre_and_farthest_coordinate() -> None:
    points = np.array([[x, y, z] for x in (0.0, 2.0) for y in (-30.0, 5.0) for z in (1.0, 4.0)])
    extent = extent_of(points)
    assert (extent.low, extent.high) == ((0.0, -30.0, 1.0), (2.0, 5.0, 4.0))
    assert extent.centre == (1.0, -12.5, 2.5)
    assert (extent.farthest, extent.n_strays) == (30.0, 0)
    assert extent.span == pytest.approx(np.sqrt(4 + 35**2 + 9), abs=1e-12)


def test_a_few_strays_do_not_count() -> None:
    arch = _arch(1000, np.random.default_rng(1))
    strays = np.array([[5000.0, 0.0, 0.0], [0.0, -1e6, 0.0]])
    extent = extent_of(np.vstack([arch, strays]))
    assert extent.n_strays == 2
    assert extent.span == pytest.approx(pdist(arch).max(), rel=0.01)
    assert extent.farthest < 100.0
    assert extent.low[1] == -1e6


def test_one_point_and_equal_points_have_no_span() -> None:
    assert extent_of(np.array([[1.0, 2.0, 3.0]])).span == 0.0
    assert extent_of(np.ones((5, 3))).span == 0.0


@pytest.mark.parametrize(
    ("coordinate", "step"),
    [(1.0, 2.0**-23), (-100.0, 2.0**-17), (131_071.9, 2.0**-7), (131_072.0, 2.0**-6), (1e6, 2.0**-4)],
)
def test_steps_of_32_bit_floats(coordinate: float, step: float) -> None:
    """IEEE 754 binary32: 24 bits of significand, so the step is 2^(exponent - 23)."""
    assert float32_step(coordinate) == step

"""The weld against numpy's sort, on points that fall together in every way."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from server.metrology.readers.reading import Unreadable
from server.metrology.readers.weld import Soup, weld


def _naive(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """The facets of points taken three by three, without those with two equal corners."""
    corners = points.reshape(-1, 3, 3) + 0.0
    equal = [(corners[:, i] == corners[:, j]).all(axis=1) for i, j in ((0, 1), (1, 2), (2, 0))]
    return corners[~np.any(equal, axis=0)]


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@settings(max_examples=60, deadline=None)
@given(st.integers(1, 300), st.integers(1, 6), st.integers(0, 2**32 - 1))
def test_facets_are_the_same_and_vertices_are_all_different(
    kind: type, n: int, n_levels: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    points = (rng.integers(-n_levels, n_levels + 1, (3 * n, 3)) / 3).astype(kind)
    expected = _naive(points.astype(np.float64))
    if len(expected) == 0:
        with pytest.raises(Unreadable) as refused:
            weld(Soup(points))
        assert refused.value.reason == "all-collapsed"
        return
    welded = weld(Soup(points.copy()))
    assert np.array_equal(welded.scan.vertices[welded.scan.faces], expected)
    assert welded.n_collapsed_facets == n - len(expected)
    assert len(np.unique(welded.scan.vertices, axis=0)) == welded.scan.n_vertices
    assert np.array_equal(np.unique(welded.scan.faces), np.arange(welded.scan.n_vertices))


def test_vertices_keep_the_order_of_their_first_appearance() -> None:
    points = np.array([[5, 0, 0], [1, 0, 0], [3, 1, 0], [3, 1, 0], [1, 0, 0], [0, 9, 0]], np.float32)
    welded = weld(Soup(points))
    assert welded.scan.vertices[:, 0].tolist() == [5, 1, 3, 0]
    assert welded.scan.faces.tolist() == [[0, 1, 2], [2, 1, 3]]


def test_minus_zero_is_zero_and_the_next_float_is_another_place() -> None:
    tick = np.nextafter(np.float32(1), np.float32(2))
    points = np.array(
        [[0.0, 1, 0], [-0.0, 1, -0.0], [1, 1, 1], [0, 1, 0], [1, 1, 1], [1, tick, 1]], np.float32
    )
    welded = weld(Soup(points))
    assert welded.n_collapsed_facets == 1
    assert welded.scan.n_vertices == 3
    assert not np.signbit(welded.scan.vertices).any()


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_the_same_points_weld_alike_whatever_the_secret_of_the_hash(kind: type) -> None:
    points = np.random.default_rng(2).integers(0, 40, (30_000, 3)).astype(kind)
    first, second = weld(Soup(points.copy())), weld(Soup(points.copy()))
    assert np.array_equal(first.scan.vertices, second.scan.vertices)
    assert np.array_equal(first.scan.faces, second.scan.faces)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_a_million_different_points_and_a_million_equal_ones(kind: type) -> None:
    n = 999_999
    rng = np.random.default_rng(3)
    points = rng.permutation(np.arange(n, dtype=kind)).repeat(3).reshape(-1, 3)
    welded = weld(Soup(points.copy()))
    assert (welded.scan.n_vertices, welded.scan.n_faces) == (n, n // 3)
    points[2:] = points[2]
    points[:2] = [[1, 0, 0], [0, 1, 0]]
    welded = weld(Soup(points))
    assert (welded.scan.n_faces, welded.n_collapsed_facets) == (1, n // 3 - 1)


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_points_on_a_line_or_of_one_bit_apart_do_not_slow_it_down(kind: type, axis: int) -> None:
    """Rows that a weak hash throws together: neighbours in one coordinate only."""
    points = np.ones((600_000, 3), kind)
    points[:, axis] = 1 + np.arange(600_000) * np.finfo(kind).eps
    assert weld(Soup(points)).scan.n_vertices == 600_000

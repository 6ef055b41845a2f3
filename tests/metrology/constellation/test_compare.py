"""Two sets without labels: who is who, in any frame and order, with bent, missing, extra and ambiguous ones."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from server.metrology.constellation.compare import Comparison, Hand, compare
from server.metrology.constellation.path import path_through
from server.metrology.constellation.poses import Paired, Poses
from server.metrology.constellation.seating import misfit_of, seated, sigmas, stacked
from server.metrology.constellation.shape_change import Way
from server.metrology.rigid import apply, small_motion
from tests.metrology.constellation.arches import (
    SHAPES,
    Random,
    arch,
    direction,
    drifted,
    motion,
    one_off,
    poses,
    seen,
)


def _shuffled(rng: Random, exact: Poses) -> tuple[Poses, list[int]]:
    order = rng.permutation(len(exact))
    return exact.moved(motion(rng)).taken(order), [
        int(np.flatnonzero(order == k)[0]) for k in range(len(exact))
    ]


def _found(a: Poses, b: Poses) -> Comparison:
    found = compare(a, b)
    assert found is not None
    return found


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("wrong", ["one off by 1 mm", "bent by 0.5 mm", "a hundredth too large"])
def test_everyone_finds_their_own(shape: str, wrong: str) -> None:
    rng = np.random.default_rng([len(shape), len(wrong)])
    for n in (4, 7):
        exact = arch(rng, n, shape)
        if wrong == "one off by 1 mm":
            a = one_off(exact, 1, direction(rng))
        elif wrong == "bent by 0.5 mm":
            a = drifted(rng, exact, 0.5, 1.3, turning=True)
        else:
            a = replace(exact, positions_mm=exact.positions_mm * 1.01)
        b, where = _shuffled(rng, exact)
        found = _found(seen(rng, a, 0.01, 0.1), b)
        assert found.pairs.tolist() == [[k, where[k]] for k in range(n)]
        assert found.hand is Hand.SAME
        assert not found.is_ambiguous


def test_missing_and_extra_ones_are_left_over() -> None:
    rng = np.random.default_rng(8)
    exact = arch(rng, 7, "mouth")
    a, b = exact.taken(np.arange(6)), exact.taken(np.array([6, 5, 3, 2, 1, 0])).moved(motion(rng))
    found = _found(a, b)
    assert found.pairs.tolist() == [[0, 5], [1, 4], [2, 3], [3, 2], [5, 1]]
    assert found.only_in_a == (4,)
    assert found.only_in_b == (0,)


def test_a_body_put_elsewhere_is_nobodys_partner() -> None:
    exact = arch(np.random.default_rng(2), 5, "mouth")
    found = _found(one_off(exact, 2, np.array([0.0, 0.0, 5.0])), exact)
    assert found.pairs[:, 0].tolist() == [0, 1, 3, 4]
    assert (found.only_in_a, found.only_in_b) == ((2,), (2,))


def test_sets_of_different_mouths_and_too_small_ones_do_not_compare() -> None:
    rng = np.random.default_rng(4)
    exact = arch(rng, 6, "mouth")
    two = exact.taken(np.array([0, 1]))
    far = poses(np.array([(0.0, 0, 0), (3.5, 0, 0), (7.5, 0, 0), (12.0, 0, 0)]), np.tile([0.0, 0, 1], (4, 1)))
    assert compare(exact, two) is None
    assert compare(two, exact) is None
    assert compare(poses(np.zeros((0, 3)), np.zeros((0, 3))), exact) is None
    assert compare(replace(exact, positions_mm=exact.positions_mm * 3.0), far) is None


STRAIGHT = poses(np.array([(-18.0, 0, 0), (-6, 0, 0), (6, 0, 0), (18, 0, 0)]), np.tile([0.0, 0, 1], (4, 1)))
"""Half a turn about the middle brings this set onto itself."""


def test_a_set_that_looks_alike_from_both_ends_is_ambiguous() -> None:
    found = _found(STRAIGHT, STRAIGHT)
    assert found.is_ambiguous
    assert found.rival is not None
    assert {tuple(found.pairs[:, 1]), tuple(found.rival[:, 1])} == {(0, 1, 2, 3), (3, 2, 1, 0)}
    assert found.is_by_axes


@pytest.mark.parametrize("way", ["axes", "clocks"])
def test_axes_and_clocks_break_the_tie(way: str) -> None:
    if way == "axes":
        axes = STRAIGHT.axes.copy()
        axes[0] = [0.1, 0.0, np.sqrt(0.99)]
        told = replace(STRAIGHT, axes=axes)
    else:
        turns = np.radians([10.0, 80.0, 200.0, 310.0])
        told = replace(STRAIGHT, clocks=np.column_stack([np.cos(turns), np.sin(turns), np.zeros(4)]))
    b, where = _shuffled(np.random.default_rng(6), told)
    found = _found(told, b)
    assert found.pairs[:, 1].tolist() == where
    assert not found.is_ambiguous


def test_clocks_that_point_anywhere_take_nothing_away() -> None:
    """Bodies on abutments without an index: every clock another one, the pairing stands."""
    rng = np.random.default_rng(7)
    exact = arch(rng, 5, "mouth")
    across = np.cross(exact.axes, [1.0, 0.0, 0.0])
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    turned = np.array(
        [
            Rotation.from_rotvec(a * t).apply(c)
            for a, t, c in zip(exact.axes, rng.uniform(1, 5, 5), across, strict=True)
        ]
    )
    found = _found(replace(exact, clocks=across), replace(exact, clocks=turned))
    assert found.pairs.tolist() == [[k, k] for k in range(5)]
    assert not found.is_ambiguous


@settings(max_examples=5, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.integers(4, 8), st.sampled_from(SHAPES))
def test_neither_frames_nor_order_matter(seed: int, n: int, shape: str) -> None:
    rng = np.random.default_rng(seed)
    exact = arch(rng, n, shape)
    a, b = seen(rng, one_off(exact, 0, 0.2 * direction(rng)), 0.01, 0.1), seen(rng, exact, 0.01, 0.1)
    T, order_a, order_b = motion(rng), rng.permutation(n), rng.permutation(n)
    one, other = _found(a, b), _found(a.moved(T).taken(order_a), b.moved(motion(rng)).taken(order_b))
    assert one.suspects is not None
    assert other.suspects is not None
    for found in (one, other):
        R = found.T_a_b[:3, :3]
        np.testing.assert_allclose(R @ R.T, np.eye(3), atol=1e-9)
        assert np.linalg.det(R) == pytest.approx(1.0, abs=1e-9)
    assert [[order_a[i], order_b[j]] for i, j in other.pairs] == [
        [order_a[i], order_a[i]] for i, _ in other.pairs
    ]
    back = np.argsort(order_a)
    np.testing.assert_allclose(other.residual_mm[back], one.residual_mm, atol=1e-7)
    np.testing.assert_allclose(other.pair_mm[np.ix_(back, back)], one.pair_mm, atol=1e-9)
    np.testing.assert_allclose(other.axis_deg[back], one.axis_deg, atol=1e-5)
    np.testing.assert_allclose(other.suspects.share_site[back], one.suspects.share_site, rtol=0.02, atol=1e-6)
    assert other.scale.ratio == pytest.approx(one.scale.ratio, abs=1e-9)
    for k in range(n):
        mine, theirs = one.suspects.displacements[k], other.suspects.displacements[back[k]]
        np.testing.assert_allclose(T[:3, :3] @ mine.shift_mm, theirs.shift_mm, atol=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_scipy_seats_by_positions_and_axes_alike(seed: int) -> None:
    """Oracle: scipy's least squares on the same weighted misfit, from a start that is off; 1 µm and 0.0001 rad."""
    rng = np.random.default_rng(seed)
    exact = arch(rng, 6, "mouth")
    pairs = Paired(seen(rng, exact, 0.03, 0.2), seen(rng, exact, 0.01, 0.1).moved(motion(rng)))
    T = seated(pairs)
    off = small_motion(rng.normal(scale=0.01, size=6)) @ T
    found = least_squares(
        lambda m: stacked(misfit_of(pairs, small_motion(m) @ off)) / sigmas(pairs),
        np.zeros(6),
        x_scale=[0.01] * 3 + [1.0] * 3,
    )
    theirs = small_motion(found.x) @ off
    assert np.abs(apply(T, pairs.b.positions_mm) - apply(theirs, pairs.b.positions_mm)).max() < 1e-3
    assert np.abs(T[:3, :3] - theirs[:3, :3]).max() < 1e-4


def test_open3d_and_scipy_lay_the_positions_alike() -> None:
    """Oracles: open3d's point-to-point estimate (equal weights), scipy's Rotation.align_vectors (weighted); 1 µm."""
    o3d = pytest.importorskip("open3d")
    rng = np.random.default_rng(9)
    exact = arch(rng, 6, "mouth")
    a, b = seen(rng, exact, 0.03, 0.2), seen(rng, exact, 0.03, 0.2).moved(motion(rng))
    clouds = [o3d.geometry.PointCloud(o3d.utility.Vector3dVector(p.positions_mm)) for p in (b, a)]
    pairs = o3d.utility.Vector2iVector(np.column_stack([np.arange(6), np.arange(6)]))
    theirs = o3d.pipelines.registration.TransformationEstimationPointToPoint(False).compute_transformation(
        *clouds, pairs
    )
    mine = _found(a, b).T_a_b
    assert np.abs(apply(mine, b.positions_mm) - apply(np.asarray(theirs), b.positions_mm)).max() < 1e-3
    unsure = replace(b, u95_position_mm=b.u95_position_mm * np.array([1.0, 2, 1, 3, 1, 1]))
    weights = np.hypot(a.sigma_position_mm, unsure.sigma_position_mm) ** -2
    means = [weights @ p.positions_mm / weights.sum() for p in (a, unsure)]
    turn, _ = Rotation.align_vectors(
        a.positions_mm - means[0], unsure.positions_mm - means[1], weights=weights
    )
    at = turn.apply(unsure.positions_mm - means[1]) + means[0]
    assert np.abs(apply(_found(a, unsure).T_a_b, unsure.positions_mm) - at).max() < 1e-3


@pytest.mark.parametrize("seed", range(4))
def test_the_way_along_an_arch_is_the_shortest_of_all(seed: int) -> None:
    """Naive twin: every order tried."""
    at = np.random.default_rng(seed).uniform(-20.0, 20.0, (6, 3))
    lengths = [
        np.linalg.norm(np.diff(at[list(order)], axis=0), axis=1).sum() for order in permutations(range(6))
    ]
    path = path_through(at)
    assert path.length_mm == pytest.approx(min(lengths), abs=1e-9)
    np.testing.assert_allclose(np.diff(path.share[path.order]).sum(), 1.0, atol=1e-12)
    assert (np.diff(path.share[path.order]) > 0.0).all()


@pytest.mark.parametrize(
    ("way", "change"),
    [
        (Way.WIDTH, lambda x, y, z: (x * (1.0 + 0.2 / 44.0), y, z)),
        (Way.DEPTH, lambda x, y, z: (x, y * (1.0 + 0.2 / 24.0), z)),
        (Way.SKEW, lambda x, y, z: (x, y + 0.2 * x / 44.0, z)),
        (Way.BOW, lambda x, y, z: (x, y, z + 0.2 * (x / 22.0) ** 2)),
        (Way.TWIST, lambda x, y, z: (x, y, z + 0.1 * (x / 22.0) * (24.0 - y) / 24.0)),
    ],
)
def test_a_change_of_shape_is_named_and_measured(way: Way, change) -> None:
    """Each way alone, 0.2 mm, exact: found to a few micrometres beside no other."""
    flat = np.array([(-22.0, 0, 0), (-18, 13, 0), (-7, 24, 0), (7, 24, 0), (18, 13, 0), (22, 0, 0)])
    b = poses(flat, np.tile([0.0, 0, 1], (6, 1)))
    a = replace(b, positions_mm=np.column_stack(change(*flat.T)))
    shape = _found(a, b.moved(motion(np.random.default_rng(1)))).shape
    assert shape.largest.way is way
    assert abs(shape.largest.size_mm) == pytest.approx(0.2, abs=0.005)
    assert shape.largest.is_told
    assert max(abs(c.size_mm) for c in shape.changes if c.way is not way) < 0.01
    assert shape.share > 0.98


def test_widening_is_plus_and_narrowing_minus() -> None:
    flat = np.array([(-22.0, 0, 0), (-8, 18, 0), (8, 18, 0), (22, 0, 0)])
    b = poses(flat, np.tile([0.0, 0, 1], (4, 1)))
    for size in (0.3, -0.3):
        a = replace(b, positions_mm=flat * np.array([1.0 + size / 44.0, 1.0, 1.0]))
        assert _found(a, b).shape.changes[0].size_mm == pytest.approx(size, abs=0.005)

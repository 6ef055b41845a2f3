"""Rigid fits against published examples, closed forms and two general libraries (scipy, open3d)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from server.metrology.rigid import (
    angle_deg,
    apply,
    fit_rigid,
    inverse,
    leave_one_out_mm,
    pair_differences_mm,
    small_motion,
    turn,
)

Array = NDArray[np.float64]

ARCH = np.array([(-22.0, 0, 0), (-8, 18, 0), (8, 18, 0), (22, 0, 0)])
"""Four implants of an edentulous arch, flat and symmetric about the midline."""
SKEW = np.array([(-22.0, 0, 0), (-8, 18, 1), (9, 17, 0), (21, -1, 2)])
MIRROR = np.array((-1.0, 1, 1))


def _known(seed: int = 1) -> Array:
    """A rigid motion drawn evenly from all directions."""
    rng = np.random.default_rng(seed)
    T = np.eye(4)
    T[:3, :3] = Rotation.random(random_state=seed).as_matrix()
    T[:3, 3] = rng.normal(scale=40.0, size=3)
    return T


def _with_end_shifted(by: tuple[float, float, float]) -> Array:
    shifted = ARCH.copy()
    shifted[3] += by
    return shifted


def test_the_worked_example_of_umeyama() -> None:
    """Umeyama 1991, IEEE TPAMI 13:376-380, section IV: the printed rotation and scale; the error follows from the data
    (the print's .053 is a slip). The rigid fit keeps scale 1."""
    fit = fit_rigid(np.array([(0.0, 0), (1, 0), (0, 2)]), np.array([(0.0, 0), (-1, 0), (0, 2)]))
    np.testing.assert_allclose(
        fit.T_target_source[:2, :2], [[0.83205, 0.55470], [-0.55470, 0.83205]], atol=1e-5
    )
    assert fit.scale_ratio == pytest.approx(0.721110, abs=1e-6)
    np.testing.assert_allclose(fit.T_target_source[:2, 2], [-0.980484, 0.296867], atol=1e-6)
    assert fit.rms_mm**2 == pytest.approx(0.619755, abs=1e-6)


def test_umeyamas_shift_and_error_with_its_scale() -> None:
    """The same example once the reported scale is applied to the source: t and the mean squared error .533333."""
    source, target = np.array([(0.0, 0), (1, 0), (0, 2)]), np.array([(0.0, 0), (-1, 0), (0, 2)])
    scaled = fit_rigid(source * fit_rigid(source, target).scale_ratio, target)
    np.testing.assert_allclose(scaled.T_target_source[:2, 2], [-0.8, 0.4], atol=1e-6)
    assert scaled.rms_mm**2 == pytest.approx(0.533333, abs=1e-6)


def test_a_test_set_of_protein_superposition() -> None:
    """Biopython, Tests/test_SVDSuperimposer.py: four atoms, root mean square .00304266526."""
    x = np.array([(51.65, -1.90, 50.07), (50.40, -1.23, 50.65), (50.68, -0.04, 51.54), (50.22, -0.02, 52.85)])
    y = np.array([(51.30, -2.99, 46.54), (51.09, -1.88, 47.58), (52.36, -1.20, 48.03), (52.71, -1.18, 49.38)])
    fit = fit_rigid(y, x)
    assert fit.rms_mm == pytest.approx(0.00304266526, abs=1e-7)
    assert angle_deg(fit.T_target_source) == pytest.approx(46.9427, abs=1e-4)


def test_a_known_turn_and_shift_come_back() -> None:
    """Closed form: 30 degrees about (1, 2, 3) and a shift, printed to a nanometre."""
    target = np.array(
        [
            (-9.263090, -14.240684, 8.248153),
            (-3.876308, 7.917221, 8.347289),
            (10.133213, 14.637718, 4.530450),
            (29.263090, 4.240684, -2.248153),
        ]
    )
    fit = fit_rigid(ARCH, target)
    assert fit.residual_mm.max() < 1e-6
    assert angle_deg(fit.T_target_source) == pytest.approx(30.0, abs=1e-5)
    np.testing.assert_allclose(fit.T_target_source[:3, 3], [10.0, -5.0, 3.0], atol=1e-6)
    assert fit.scale_ratio == pytest.approx(1.0, abs=1e-7)


def test_an_arch_too_wide_is_a_scale_and_stays_in_the_residuals() -> None:
    """Computed: the arch times 1.0025."""
    wide = ARCH * 1.0025
    fit = fit_rigid(ARCH, wide)
    pairs = pair_differences_mm(ARCH, wide)
    upper = pairs[np.triu_indices(4, 1)] * 1000.0
    np.testing.assert_allclose(upper, [57.009, 87.464, 110.0, 40.0, 87.464, 57.009], atol=1e-3)
    np.testing.assert_allclose(fit.residual_mm * 1000.0, [59.42, 30.10, 30.10, 59.42], atol=0.01)
    assert fit.rms_mm * 1000.0 == pytest.approx(47.10, abs=0.01)
    assert fit.scale_ratio == pytest.approx(1.0025, abs=1e-9)


def test_one_end_off_along_the_arch() -> None:
    """Computed: 0.1 mm in x at one end; the largest residual stays at that end."""
    fit = fit_rigid(ARCH, _with_end_shifted((0.1, 0.0, 0.0)))
    np.testing.assert_allclose(fit.residual_mm * 1000.0, [33.71, 19.96, 19.96, 70.69], atol=0.01)
    assert fit.rms_mm * 1000.0 == pytest.approx(41.62, abs=0.01)


def test_a_whole_set_fit_hides_one_end_that_is_too_high() -> None:
    """Computed: 0.1 mm in z at one end leaves 16 micrometres at its neighbours; leaving one out shows the two ends."""
    high = _with_end_shifted((0.0, 0.0, 0.1))
    fit = fit_rigid(ARCH, high)
    np.testing.assert_allclose(fit.residual_mm * 1000.0, [5.84, 16.06, 16.06, 5.84], atol=0.01)
    assert fit.rms_mm * 1000.0 == pytest.approx(12.08, abs=0.01)
    np.testing.assert_allclose(leave_one_out_mm(ARCH, high) * 1000.0, [100.0, 36.36, 36.36, 100.0], atol=0.06)


def test_a_mirror_image_shows_only_where_the_points_are_not_flat_and_alike() -> None:
    """Computed: a flat symmetric arch lies on its mirror image by a turn; a skew one cannot."""
    flat, skew = fit_rigid(ARCH, ARCH * MIRROR), fit_rigid(SKEW, SKEW * MIRROR)
    assert flat.rms_mm < 1e-9
    assert skew.rms_mm == pytest.approx(1.18792, abs=1e-5)
    for fit in (flat, skew):
        assert np.linalg.det(fit.T_target_source[:3, :3]) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("seed", range(8))
def test_scipy_finds_the_same_turn(seed: int) -> None:
    """Oracle: scipy's Rotation.align_vectors on centred, weighted points."""
    rng = np.random.default_rng(seed)
    source = rng.normal(scale=20.0, size=(12, 3))
    target = apply(_known(seed), source) + rng.normal(scale=0.3, size=source.shape)
    weights = rng.uniform(0.1, 3.0, len(source))
    mean_s, mean_t = (np.average(p, axis=0, weights=weights) for p in (source, target))
    reference, _ = Rotation.align_vectors(target - mean_t, source - mean_s, weights=weights)
    fit = fit_rigid(source, target, weights)
    theirs = reference.apply(source - mean_s) + mean_t
    assert np.abs(apply(fit.T_target_source, source) - theirs).max() < 1e-6
    assert fit.rms_mm == pytest.approx(
        np.sqrt(np.average(((theirs - target) ** 2).sum(axis=1), weights=weights)), abs=1e-9
    )


@pytest.mark.parametrize("seed", range(3))
def test_open3d_finds_the_same_pose_and_scale(seed: int) -> None:
    """Oracle: open3d's point-to-point estimation, rigid and with scale."""
    o3d = pytest.importorskip("open3d")
    rng = np.random.default_rng(seed)
    source = rng.normal(scale=20.0, size=(30, 3))
    target = apply(_known(seed), source * 1.01) + rng.normal(scale=0.2, size=source.shape)
    clouds = [o3d.geometry.PointCloud(o3d.utility.Vector3dVector(p)) for p in (source, target)]
    pairs = o3d.utility.Vector2iVector(np.stack([np.arange(30), np.arange(30)], axis=1))
    estimate = o3d.pipelines.registration.TransformationEstimationPointToPoint
    fit = fit_rigid(source, target)
    theirs = np.asarray(estimate(False).compute_transformation(*clouds, pairs))
    assert np.abs(apply(fit.T_target_source, source) - apply(theirs, source)).max() < 1e-6
    scaled = np.asarray(estimate(True).compute_transformation(*clouds, pairs))
    assert fit.scale_ratio == pytest.approx(np.cbrt(np.linalg.det(scaled[:3, :3])), abs=1e-9)


@pytest.mark.parametrize(
    ("source", "is_determined"),
    [
        (ARCH, True),
        (ARCH[:3], True),
        (ARCH[:2], False),
        (ARCH[:1], False),
        (np.outer(np.arange(5.0), (1.0, 2.0, 3.0)), False),
        (np.zeros((4, 3)), False),
        (np.array([(0.0, 0, 0), (50, 0, 0), (25, 0.1, 0)]), True),
        (np.array([(0.0, 0, 0), (50, 0, 0), (25, 0.001, 0)]), False),
    ],
    ids=["arch", "three", "two", "one", "a line", "one place", "nearly a line", "a line to 1 µm"],
)
def test_points_that_leave_the_turn_open_say_so(source: Array, is_determined: bool) -> None:
    fit = fit_rigid(source, apply(_known(), source))
    assert fit.is_determined is is_determined
    assert fit.residual_mm.max() < 1e-9
    assert np.linalg.det(fit.T_target_source[:3, :3]) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("seed", range(40))
def test_never_a_reflection_never_a_scale(seed: int) -> None:
    """Any pairs at all, mirrored, flat or without any likeness: the rotation is one."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 9))
    source = rng.normal(scale=20.0, size=(n, 3)) * rng.choice([0.0, 1.0, 1.0], size=3)
    target = rng.normal(scale=20.0, size=(n, 3)) if seed % 2 else source * rng.choice([-1.0, 1.0], size=3)
    fit = fit_rigid(source, target, rng.uniform(0.0, 1.0, n) + 1e-3)
    R = fit.T_target_source[:3, :3]
    np.testing.assert_allclose(R @ R.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(R) == pytest.approx(1.0, abs=1e-12)


def test_pairs_without_weight_change_nothing() -> None:
    target = apply(_known(), ARCH)
    spoiled = np.vstack([target, (500.0, 0, 0)])
    fit = fit_rigid(np.vstack([ARCH, (0.0, 0, 0)]), spoiled, np.array([1.0, 1, 1, 1, 0]))
    assert fit.rms_mm < 1e-9
    assert fit.n_used == 4
    assert fit.residual_mm[4] > 400.0


@pytest.mark.parametrize(
    ("source", "target", "weights"),
    [
        (ARCH, ARCH[:3], None),
        (ARCH[:0], ARCH[:0], None),
        (np.zeros((3, 4)), np.zeros((3, 4)), None),
        (np.full((3, 3), np.nan), np.zeros((3, 3)), None),
        (ARCH, ARCH, np.zeros(4)),
        (ARCH, ARCH, np.array([1.0, 1, 1, -1])),
        (ARCH, ARCH, np.ones(3)),
    ],
    ids=[
        "unequal",
        "none",
        "four-dimensional",
        "not finite",
        "no weight",
        "negative weight",
        "too few weights",
    ],
)
def test_what_cannot_be_fitted_is_refused(source: Array, target: Array, weights: Array | None) -> None:
    with pytest.raises(ValueError, match=r"paired points|a rigid fit"):
        fit_rigid(source, target, weights)


def test_leaving_one_out_takes_four_in_space() -> None:
    with pytest.raises(ValueError, match="at least 4"):
        leave_one_out_mm(ARCH[:3], ARCH[:3])


@pytest.mark.parametrize("angle", [1e-7, 1e-3, 1.0, 90.0, 179.999999, 180.0])
def test_angles_and_small_motions(angle: float) -> None:
    """Oracle: scipy's rotation vectors; exact also near 0 and 180 degrees, where an arc cosine fails."""
    vector = np.radians(angle) * np.array([1.0, 2.0, 3.0]) / np.sqrt(14.0)
    T = small_motion(np.r_[vector, 1.0, 2.0, 3.0])
    np.testing.assert_allclose(T[:3, :3], Rotation.from_rotvec(vector).as_matrix(), atol=1e-14)
    np.testing.assert_allclose(T[:3, 3], [1.0, 2.0, 3.0])
    assert angle_deg(T) == pytest.approx(angle, abs=1e-9)


def test_there_and_back() -> None:
    T = _known()
    np.testing.assert_allclose(apply(inverse(T), apply(T, SKEW)), SKEW, atol=1e-12)
    np.testing.assert_allclose(turn(T, SKEW), apply(T, SKEW) - T[:3, 3], atol=1e-12)

"""The stated uncertainty is tried on the fit's own linear algebra: scatter is laid on exact surfaces, the pose that least
squares would give is known in closed form, and what is stated from the residuals alone must hold it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.stats import binom

from server.metrology.bodies.fitting import BodyFit, jacobian, refine
from server.metrology.bodies.reference import ReferenceBody, reference_body
from server.metrology.bodies.trust import Trust, _ball, _Kernel, weighed
from server.metrology.rigid import inverse
from tests.metrology.bodies.lathe import one_flat, turned
from tests.metrology.bodies.scenes import Floats

SETS = 60
IN_A_SET = 5
LEAST, MOST = 0.92, 0.98
"""What the design asks of the share of truths inside. The bounds are widened by what 300 draws leave open (0.1 % a side)."""


@cache
def body() -> ReferenceBody:
    return reference_body(
        "stepped", turned([(2.4, 0.0), (2.4, 0.8), (1.8, 1.4), (1.8, 5.0), (1.3, 5.5)], shape=one_flat)
    )


@cache
def places(half: bool) -> tuple[Floats, Floats]:
    """500 points of the body away from its edges, and the normals there; of one half, or of all."""
    edges = body().crease_tree
    assert edges is not None
    good = edges.query(body().points)[0] > 0.2
    good &= body().points[:, 2] > 0.4
    if half:
        good &= body().points @ (0.8, 0.5, 0.33) < 0.5
    some = np.random.default_rng(4).permutation(np.flatnonzero(good))[:500]
    return body().points[some], body().normals[some]


def as_fitted(at: Floats, normals: Floats, e: Floats) -> tuple[BodyFit, Floats]:
    """The fit of all points with equal weight, and by which motion (6,) it misses the truth."""
    J = jacobian(at, normals, np.zeros(3))
    missed = np.asarray(-np.linalg.solve(J.T @ J, J.T @ e), dtype=np.float64)
    n = len(at)
    fit = BodyFit(np.eye(4), np.ones(n, bool), np.ones(n), e + J @ missed, normals, at, float(e.std()), 0.0)
    return fit, missed


@cache
def likeness(half: bool, length_mm: float, power: int) -> Floats:
    """A square root of the covariance that falls with distance as exp(-(d / length) ** power)."""
    at, _ = places(half)
    D = np.linalg.norm(at[:, None] - at[None], axis=2)
    return np.asarray(np.linalg.cholesky(np.exp(-((D / length_mm) ** power)) + 1e-9 * np.eye(len(at))))


def is_inside(trust: Trust, missed: Floats) -> tuple[bool, bool, bool]:
    return (
        bool(np.linalg.norm(missed[3:]) <= trust.u95_position_mm),
        bool(np.degrees(np.linalg.norm(missed[:2])) <= trust.u95_axis_deg),
        bool(np.degrees(abs(missed[2])) <= trust.u95_clock_deg),
    )


def shares_inside(half: bool, white_mm: float, alike_mm: float, kernel: tuple[float, int] | None) -> Floats:
    """Shares of the true position, axis and clocking that lie within the stated U95."""
    rng = np.random.default_rng(11)
    at, normals = places(half)
    inside = []
    for _ in range(SETS):
        drawn = rng.standard_normal((IN_A_SET, 2, len(at)))
        smooth = drawn[:, 1] @ likeness(half, *kernel).T if kernel else 0.0 * drawn[:, 1]
        made = [
            as_fitted(at, normals, white_mm * a + alike_mm * b)
            for a, b in zip(drawn[:, 0], smooth, strict=True)
        ]
        inside += [
            is_inside(one.trust, missed)
            for one, (_, missed) in zip(weighed([fit for fit, _ in made]), made, strict=True)
        ]
    return np.asarray(np.mean(inside, axis=0), dtype=np.float64)


def least_and_most() -> tuple[float, float]:
    n = SETS * IN_A_SET
    return float(binom.ppf(0.001, n, LEAST) / n), float(binom.ppf(0.999, n, MOST) / n)


@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize(
    ("white_mm", "alike_mm", "kernel"),
    [
        (0.015, 0.0, None),
        (0.014, 0.004, (1.0, 2)),
        (0.012, 0.007, (2.0, 2)),
        (0.014, 0.004, (2.0, 1)),
        (0.012, 0.007, (4.0, 1)),
    ],
)
def test_the_stated_uncertainty_holds_the_truth(
    half: bool, white_mm: float, alike_mm: float, kernel: tuple[float, int] | None
) -> None:
    low, high = least_and_most()
    for share in shares_inside(half, white_mm, alike_mm, kernel):
        assert low <= share <= high


@pytest.mark.parametrize(
    ("alike_mm", "kernel"), [(0.0, (1.0, 2)), (0.007, (1.0, 2)), (0.007, (2.0, 2)), (0.009, (1.5, 1))]
)
def test_the_pose_is_nearly_as_good_as_if_the_likeness_were_known(
    alike_mm: float, kernel: tuple[float, int]
) -> None:
    """The least scatter of any linear estimate is (Jᵀ Σ⁻¹ J)⁻¹ (Gauss-Markov; Aitken 1936). Read from six bodies the likeness
    costs some of it: a tenth in standard deviation is allowed, and three standard errors of an RMS over 240 x 3."""
    at, normals = places(False)
    J, L = jacobian(at, normals, np.zeros(3)), likeness(False, *kernel)
    S = 0.012**2 * np.eye(len(at)) + alike_mm**2 * (L @ L.T)
    least = np.sqrt(np.trace(np.linalg.inv(J.T @ np.linalg.solve(S, J))[3:, 3:]))
    plain = np.linalg.inv(J.T @ J) @ J.T
    before = np.sqrt(np.trace((plain @ S @ plain.T)[3:, 3:]))
    rng, left = np.random.default_rng(6), []
    for _ in range(40):
        drawn = rng.standard_normal((6, 2, len(at)))
        made = [as_fitted(at, normals, 0.012 * a + alike_mm * L @ b) for a, b in drawn]
        for one, (_, missed) in zip(weighed([fit for fit, _ in made]), made, strict=True):
            left.append(missed[3:] + inverse(one.T_scan_body)[:3, 3])
    after = float(np.sqrt(np.mean(np.sum(np.square(left), axis=1))))
    assert after < (1.1 + 3.0 / np.sqrt(2.0 * 720)) * least
    assert alike_mm == 0.0 or after < before


def test_for_white_scatter_the_covariance_is_the_textbooks() -> None:
    """s² (JᵀJ)⁻¹ (Gauss-Markov); the median over sets, since each set's scatter is itself estimated."""
    at, normals = places(False)
    J = jacobian(at, normals, np.zeros(3))
    exact = 0.015**2 * np.linalg.inv(J.T @ J)
    rng = np.random.default_rng(2)
    stated = []
    for _ in range(40):
        fits = [as_fitted(at, normals, 0.015 * rng.standard_normal(len(at)))[0] for _ in range(8)]
        stated.append(weighed(fits)[0].trust)
    sd = np.median([np.sqrt(np.diag(t.covariance)) for t in stated], axis=0)
    assert sd == pytest.approx(np.sqrt(np.diag(exact)), rel=0.15)
    assert np.median([t.white_mm for t in stated]) == pytest.approx(0.015, rel=0.02)
    assert np.median([t.alike_mm for t in stated]) < 0.002


def test_scatter_that_is_alike_is_told_from_white_scatter() -> None:
    at, normals = places(False)
    rng = np.random.default_rng(3)
    smooth = rng.standard_normal((40, len(at))) @ likeness(False, 1.0, 2).T
    fits = [as_fitted(at, normals, 0.012 * rng.standard_normal(len(at)) + 0.008 * s)[0] for s in smooth]
    trust = weighed(fits)[0].trust
    assert trust.white_mm == pytest.approx(0.012, rel=0.1)
    assert trust.alike_mm == pytest.approx(0.008, rel=0.15)
    assert 0.5 < trust.alike_over_mm < 2.0


def test_robust_weights_cost_what_the_theory_says() -> None:
    """Tukey's weights at 4.685 have an efficiency of 95 % (Holland & Welsch 1977): the covariance is 1/0.95 of least
    squares', within what the estimate of the scatter leaves open."""
    at, normals = places(False)
    J = jacobian(at, normals, np.zeros(3))
    exact = 0.010**2 * np.linalg.inv(J.T @ J) / 0.95
    rng, stated, missed = np.random.default_rng(5), [], []
    facets = np.zeros((0, 3), dtype=np.int32)
    for _ in range(25):
        lifts = 0.010 * rng.standard_normal((6, len(at)))
        fits = [refine(body(), np.eye(4), at + lift[:, None] * normals, normals, facets) for lift in lifts]
        good = [fit for fit in fits if fit is not None]
        assert len(good) == 6
        stated.append(np.sqrt(np.diag(weighed(good)[0].trust.covariance)))
        missed += [fit.T_scan_body[:3, 3] for fit in good]
    assert np.median(stated, axis=0) == pytest.approx(np.sqrt(np.diag(exact)), rel=0.2)
    assert np.std(missed, axis=0) == pytest.approx(np.sqrt(np.diag(exact))[3:], rel=0.2)


def test_a_ball_for_equal_and_for_one_sided_scatter() -> None:
    """95 % of a normal scatter: 2.7955 sigma in three equal directions (chi-square, 3 degrees of freedom), 1.960 in one."""
    assert _ball(np.eye(3) * 0.04) == pytest.approx(0.2 * 2.7955, rel=1e-4)
    assert _ball(np.diag([0.04, 0.0, 0.0])) == pytest.approx(0.2 * 1.95996, rel=1e-4)
    assert _ball(np.zeros((3, 3))) == 0.0


@pytest.mark.parametrize("length_mm", [0.4, 2.5])
def test_likeness_falls_as_its_formulas_say(length_mm: float) -> None:
    at, _ = places(True)
    D = np.linalg.norm(at[:40, None] - at[None, :40], axis=2)
    for power, expected in (
        (0, np.sinc(D / length_mm)),
        (1, np.exp(-D / length_mm)),
        (2, np.exp(-((D / length_mm) ** 2))),
    ):
        np.testing.assert_allclose(_Kernel(length_mm, power).at(D), expected, atol=1e-12)


def test_no_fits_no_trust() -> None:
    assert weighed([]) == []

"""How far a fitted pose can be trusted: covariance from the fit's own residuals, their likeness with distance included.

Scanners do not scatter point by point alone; neighbouring points err alike. The residuals of a fit show how much and how
far (what the fit itself has taken up is allowed for), and the covariance is that of a weighted fit to such data:
H⁻¹ Jᵀ W C W J H⁻¹ (Aitken 1935, for weights that are not those of C). What moves a body as a whole, as stitching does, no
residual can show: it is not in these figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.stats import chi2, norm
from scipy.stats import t as student

from server.metrology.bodies.fitting import BodyFit, jacobian
from server.metrology.rigid import Array

Floats = NDArray[np.float64]

SAMPLE = 360
LENGTHS_MM = (0.4, 0.8, 1.5, 2.5, 4.0, 6.0)
BINS_MM = np.array([1e-9, 0.2, 0.4, 0.7, 1.0, 1.4, 1.9, 2.5, 3.2, 4.0, 5.0])
LEAST_SIGMA_MM = 0.001
MODES_SEEN = 2
"""What each body shows of errors that are alike over its whole size: about two numbers, its swelling and its bending. With
so few the scatter read from them is itself uncertain, as in Student's t."""


@dataclass(frozen=True, slots=True)
class Trust:
    """covariance: (6, 6) of a turn (rad) and a shift (mm) of the body in its own frame, about the seat.

    u95_position_mm: radius of the ball about the seat that holds the true one with 95 %; u95_axis_deg: half-angle of
    the cone about the axis; u95_clock_deg: of the turn about it. white_mm, alike_mm, alike_over_mm: the scatter of single
    points, that of neighbourhoods, and how wide those are.
    """

    covariance: Floats
    u95_position_mm: float
    u95_axis_deg: float
    u95_clock_deg: float
    white_mm: float
    alike_mm: float
    alike_over_mm: float


def trusts_of(fits: Sequence[BodyFit]) -> list[Trust]:
    """The uncertainty of settled fits to one scan. How its points scatter is read from all of them together."""
    if not fits:
        return []
    samples = [_sample(fit) for fit in fits]
    white, alike, kernel = _scatter(samples)
    alike *= float(student.ppf(0.975, MODES_SEEN * len(fits)) / norm.ppf(0.975))
    return [_trust(fit, sample, white, alike, kernel) for fit, sample in zip(fits, samples, strict=True)]


@dataclass(frozen=True, slots=True)
class _Kernel:
    """How alike errors are at a distance: exp(-(d / length_mm) ** power)."""

    length_mm: float
    power: int

    def at(self, D: Floats) -> Floats:
        return np.asarray(np.exp(-((D / self.length_mm) ** self.power)))


@dataclass(frozen=True, slots=True)
class _Sample:
    """Points of one fit, evenly spread: J (n, 6), weights, residuals, distances between them (n, n)."""

    J: Floats
    w: Floats
    e: Floats
    D: Floats


def _sample(fit: BodyFit) -> _Sample:
    used = np.flatnonzero(fit.used)
    at = fit.at[used]
    turn = np.arctan2(at[:, 1], at[:, 0])
    order = np.lexsort((turn, np.round(at[:, 2] / 0.3)))
    picked = used[order[np.linspace(0, len(used) - 1, min(SAMPLE, len(used))).astype(np.int64)]]
    at = fit.at[picked]
    J = jacobian(fit.at[picked], fit.normals[picked], np.zeros(3))
    D = np.linalg.norm(at[:, None] - at[None], axis=2)
    return _Sample(J, fit.weights[picked], fit.residual_mm[picked], D)


def _trust(fit: BodyFit, sample: _Sample, white: float, alike: float, kernel: _Kernel) -> Trust:
    J = jacobian(fit.at[fit.used], fit.normals[fit.used], np.zeros(3))
    Jw = J * fit.weights[fit.used][:, None]
    back = np.linalg.pinv(Jw.T @ J, rcond=1e-9)
    few = sample.J * sample.w[:, None] * (len(J) / len(sample.J))
    inner = white**2 * (Jw.T @ Jw) + alike**2 * (few.T @ kernel.at(sample.D) @ few)
    C = back @ inner @ back
    return Trust(C, *_radii(C), white, alike, kernel.length_mm)


def _scatter(samples: Sequence[_Sample]) -> tuple[float, float, _Kernel]:
    """The scatter of single points, that of neighbourhoods, and how the latter falls with distance."""
    kernels = [_Kernel(length, power) for length in LENGTHS_MM for power in (1, 2)]
    n = len(BINS_MM)
    seen, white, counts = np.zeros(n), np.zeros(n), np.zeros(n)
    like = np.zeros((len(kernels), n))
    for s in samples:
        A = s.J @ np.linalg.pinv((s.J * s.w[:, None]).T @ s.J, rcond=1e-9)
        B = s.J * s.w[:, None]
        place = np.digitize(s.D, BINS_MM)
        counts += np.bincount(place.ravel(), minlength=n + 1)[:n]
        seen += _left_by_bin(np.outer(s.e, s.e), place, 0.0 * A, B, n)
        white += _left_by_bin(np.eye(len(s.e)), place, A, B, n)
        for k, kernel in enumerate(kernels):
            like[k] += _left_by_bin(kernel.at(s.D), place, A, B, n)
    by = np.sqrt(1.0 / np.maximum(counts, 1.0))
    best = (np.inf, 0.0, 0.0, kernels[0])
    for k, kernel in enumerate(kernels):
        (a, b), miss = nnls(np.column_stack([white, like[k]]) * by[:, None], seen * by)
        if miss < best[0]:
            best = (float(miss), float(a), float(b), kernel)
    _, a, b, kernel = best
    return float(np.sqrt(max(a, LEAST_SIGMA_MM**2))), float(np.sqrt(b)), kernel


@njit(cache=True)
def _left_by_bin(K: Floats, place: NDArray[np.int64], A: Floats, B: Floats, n_bins: int) -> Floats:
    """What a fit leaves of scatter K, (I - A Bᵀ) K (I - B Aᵀ), the fit taking up A Bᵀ of it: summed by distance, the points
    themselves in bin 0; pairs beyond the last bin are left out."""
    n, m = B.shape
    KB = np.zeros((n, m))
    for i in range(n):
        for j in range(n):
            for k in range(m):
                KB[i, k] += K[i, j] * B[j, k]
    BKB = B.T @ KB
    sums = np.zeros(n_bins)
    for i in range(n):
        for j in range(i, n):
            bin_ = place[i, j] if i != j else 0
            if bin_ >= n_bins:
                continue
            left = K[i, j]
            for k in range(m):
                left -= A[i, k] * KB[j, k] + KB[i, k] * A[j, k]
                for h in range(m):
                    left += A[i, k] * BKB[k, h] * A[j, h]
            sums[bin_] += left if i == j else 2.0 * left
    return sums


def _radii(C: Floats) -> tuple[float, float, float]:
    position = _ball(C[3:, 3:])
    axis = float(np.degrees(_ball(C[:2, :2])))
    return position, min(axis, 90.0), float(min(np.degrees(1.96 * np.sqrt(max(C[2, 2], 0.0))), 180.0))


def _ball(C: Array) -> float:
    """Radius that holds 95 % of a normal scatter of covariance C (Satterthwaite's chi-square for the sum of squares)."""
    values = np.maximum(np.linalg.eigvalsh(C), 0.0)
    total, square = float(values.sum()), float((values**2).sum())
    if total <= 0.0:
        return 0.0
    return float(np.sqrt(square / total * chi2.ppf(0.95, total**2 / square)))

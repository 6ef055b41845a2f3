"""How far a fitted pose can be trusted: covariance from the fit's own residuals, their likeness with distance included.

Scanners do not scatter point by point alone; neighbouring points err alike. How products of residuals fall with distance
shows how much and how far, once it is allowed for what the fit itself has taken up. All used points speak, summed by small
patches. The covariance is that of a robust fit to such data: H⁻¹ S H⁻¹, S the scatter of the scores, H their slope (Huber
1967; Hampel et al. 1986; for scores that are alike, Conley 1999). What moves a body as a whole, as stitching does, no
residual can show: it is not in these figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import nnls

from server.metrology.bodies.cells import grid_keys
from server.metrology.bodies.fitting import BodyFit, jacobian
from server.metrology.quantiles import chi2_quantile, widened_for_few
from server.metrology.rigid import Array, inverse, small_motion

Floats = NDArray[np.float64]

PATCH_MM = 0.6
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


@dataclass(frozen=True, slots=True)
class _Kernel:
    """How alike errors are at a distance: exp(-(d / length) ** power); with power 0 they sway, sin(πd / length) over
    πd / length (the hole effect of geostatistics, Chilès & Delfiner 1999)."""

    length_mm: float
    power: int

    def at(self, D: Floats) -> Floats:
        if self.power == 0:
            return np.asarray(_swaying(D, self.length_mm))
        x = D * (-1.0 / self.length_mm)
        return np.asarray(np.exp(x if self.power == 1 else -x * x))


@njit(cache=True, nogil=True)
def _swaying(D: Floats, length: float) -> Floats:
    """sin(πx) / (πx) for a symmetrical D, of which only one half is reckoned."""
    n = len(D)
    out = np.ones((n, n))
    for i in range(n):
        for j in range(i):
            x = np.pi * D[i, j] / length
            out[i, j] = np.sin(x) / x if x > 1e-9 else 1.0
            out[j, i] = out[i, j]
    return out


KERNELS = tuple(_Kernel(length, power) for length in LENGTHS_MM for power in (0, 1, 2))


@dataclass(frozen=True, slots=True)
class Weighed:
    """A settled fit after the likeness of errors is allowed for. T_scan_body: (4, 4), the better pose."""

    T_scan_body: Array
    trust: Trust


def weighed(fits: Sequence[BodyFit]) -> list[Weighed]:
    """Settled fits to one scan, each moved to where generalised least squares would have it (Aitken 1936), and how far
    that can be trusted. How the scan's points scatter is read from all fits together.

    What is stated lies halfway between the uncertainty before that move and what it would be after it: how much the move
    gains hangs on how well the likeness was read, and is not claimed in full.
    """
    if not fits:
        return []
    patches = [_patches(fit) for fit in fits]
    scatter = _scatter_of(patches)
    unsure = widened_for_few(MODES_SEEN * len(fits))
    return [_stepped(fit, p, scatter, unsure**2) for fit, p in zip(fits, patches, strict=True)]


def _stepped(fit: BodyFit, p: _Patches, scatter: _Scatter, unsure: float) -> Weighed:
    """The step by the scatter as it was read, judged by the one widened for being read from few. unsure: by how much the
    variance of neighbourhoods is."""
    alike, wide = scatter.at(p.D), replace(scatter, alike=scatter.alike * unsure)
    Q = _shared(p, scatter, alike)
    back = np.asarray(np.linalg.pinv(p.slope - Q @ p.answer, rcond=1e-9))
    move = -back @ (p.pull - Q @ p.score)
    before, after = (
        _covariance(p, wide, unsure * alike, B, shared)
        for B, shared in ((p.back, np.zeros_like(Q)), (back, Q))
    )
    T = fit.T_scan_body @ inverse(small_motion(move))
    return Weighed(T, _trust(p, wide, (before + after) / 2.0))


@dataclass(frozen=True, slots=True)
class _Patches:
    """The used points of one fit, summed by cells of PATCH_MM.

    n (c,): points in each. J (c, 6): sums of the rows of the Jacobian; answer (c, 6): the same, each row by how much its
    score changes with its residual. score (c,): sums of weight times residual. D (c, c): distances between cells. slope
    (6, 6): answerᵀJ of single points, and back its inverse; gram (6, 6): JᵀJ of single points; pull (6,): Jᵀ times their
    scores. square: sum of squared scores of single points; shrunk: that over the sum of squared residuals.
    """

    n: Floats
    J: Floats
    answer: Floats
    score: Floats
    D: Floats
    slope: Floats
    back: Floats
    gram: Floats
    pull: Floats
    square: float
    shrunk: float

    @property
    def mean(self) -> Floats:
        """(c, 6) mean row of the Jacobian in each cell."""
        return np.asarray(self.J / self.n[:, None])


@dataclass(frozen=True, slots=True)
class _Scatter:
    """Variances: of single points, of what the points of one patch share, and (k,) of what neighbourhoods share by each of
    KERNELS."""

    white: float
    patch: float
    alike: Floats

    def at(self, D: Floats) -> Floats:
        """What two patches at a distance share."""
        parts = [a * kernel.at(D) for a, kernel in zip(self.alike, KERNELS, strict=True) if a > 0.0]
        return np.asarray(sum(parts, np.zeros_like(D)))

    @property
    def length_mm(self) -> float:
        """Mean width of the neighbourhoods, 0 where there are none."""
        total = float(self.alike.sum())
        lengths = np.array([kernel.length_mm for kernel in KERNELS])
        return float(self.alike @ lengths) / total if total > 0.0 else 0.0


def _patches(fit: BodyFit) -> _Patches:
    used = fit.used
    at, w, e = fit.at[used], fit.weights[used], fit.residual_mm[used]
    J = jacobian(at, fit.normals[used], np.zeros(3))
    slope = np.sqrt(w) * (5.0 * np.sqrt(w) - 4.0)  # d(w e)/de for Tukey's w
    answer, score = J * slope[:, None], w * e
    _, cell = np.unique(grid_keys(at, PATCH_MM), return_inverse=True)
    n = np.bincount(cell).astype(np.float64)
    middle = _summed(at, cell) / n[:, None]
    square, plain = float(score @ score), float(e @ e)
    return _Patches(
        n=n,
        J=_summed(J, cell),
        answer=_summed(answer, cell),
        score=_summed(score[:, None], cell)[:, 0],
        D=np.asarray(np.linalg.norm(middle[:, None] - middle[None], axis=2), dtype=np.float64),
        slope=answer.T @ J,
        back=np.asarray(np.linalg.pinv(answer.T @ J, rcond=1e-9)),
        gram=J.T @ J,
        pull=J.T @ score,
        square=square,
        shrunk=square / plain if plain > 0.0 else 1.0,
    )


def _summed(rows: Floats, cell: NDArray[np.int64]) -> Floats:
    return np.stack([np.bincount(cell, weights=column) for column in rows.T], axis=1)


def _shared(p: _Patches, scatter: _Scatter, alike: Floats) -> Floats:
    """Q (6, c) of the step by weights Σ⁻¹, Σ = v I + Z G Zᵀ: v the scatter of single points, G what patches share (alike: by
    their distance), Z which point lies in which patch; JᵀΣ⁻¹ = (Jᵀ - Q Zᵀ) / v with Q = JᵀZ (v G⁻¹ + ZᵀZ)⁻¹ (Woodbury
    1950)."""
    if scatter.patch + float(scatter.alike.sum()) <= 0.0:
        return np.zeros((6, len(p.n)))
    G = alike + scatter.patch * np.eye(len(p.n))
    root = np.sqrt(p.n)[:, None]
    evened = scatter.white * np.eye(len(p.n)) + root * G * root.T
    solved = cho_solve(cho_factor(evened, check_finite=False), root * (G @ p.J), check_finite=False)
    return np.asarray((solved / root).T)


def _covariance(p: _Patches, scatter: _Scatter, alike: Floats, back: Floats, Q: Floats) -> Floats:
    """Covariance (6, 6) of the answer B (Jᵀ - Q Zᵀ) e to such scatter e, the points of a patch taken together."""
    summed = p.J - (Q * p.n).T
    crossed = Q @ p.J
    inner = scatter.white * (p.gram - crossed - crossed.T + (Q * p.n) @ Q.T)
    inner += scatter.patch * summed.T @ summed + summed.T @ alike @ summed
    return np.asarray(back @ inner @ back.T)


def _trust(p: _Patches, scatter: _Scatter, C: Floats) -> Trust:
    variances = (scatter.white, scatter.patch + float(scatter.alike.sum()))
    white, alike = (float(np.sqrt(v / p.shrunk)) for v in variances)
    return Trust(C, *_radii(C), white, alike, scatter.length_mm)


def _scatter_of(all_patches: Sequence[_Patches]) -> _Scatter:
    """The scatter that explains how products of scores fall with distance, by non-negative least squares for each kernel;
    the kernels averaged by their likelihood (Burnham & Anderson 2002), since few scans tell them apart."""
    n = len(BINS_MM) + 1
    seen, white, patch, pairs = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    like = np.zeros((len(KERNELS), n))
    for p in all_patches:
        place = np.digitize(p.D, BINS_MM)
        both = np.outer(p.n, p.n)
        seen += _by_bin(np.outer(p.score, p.score), place, p, is_left=True, points=p.square)
        white += _by_bin(np.diag(p.n), place, p, points=p.n.sum() - 6.0)
        patch += _by_bin(np.diag(p.n**2), place, p)
        pairs += _by_bin(both, place, p, is_left=True, points=p.n.sum())
        for k, kernel in enumerate(KERNELS):
            like[k] += _by_bin(kernel.at(p.D) * both, place, p)
    by = 1.0 / np.sqrt(
        np.maximum(pairs, 1e-9)
    )  # white scores of variance v give a bin the variance 2 v² pairs
    made = [nnls(np.stack([white, patch, row], axis=1) * by[:, None], seen * by) for row in like]
    miss2 = np.array([miss**2 for _, miss in made])
    v = float(seen[0] / max(white[0], 1.0))
    share = np.exp(-(miss2 - miss2.min()) / (4.0 * max(v, LEAST_SIGMA_MM**2) ** 2))
    parts = np.array([x for x, _ in made]) * (share / share.sum())[:, None]
    return _Scatter(max(float(parts[:, 0].sum()), LEAST_SIGMA_MM**2), float(parts[:, 1].sum()), parts[:, 2])


def _by_bin(
    K: Floats, place: NDArray[np.int64], p: _Patches, *, is_left: bool = False, points: float | None = None
) -> Floats:
    """Scatter K between the sums of patches, less what the fit has taken up of it (unless it is what is left), summed by
    distance: first that of single points, then each patch with itself, then pairs."""
    by = _left_by_bin(K, place, (0.0 if is_left else 1.0) * p.answer @ p.back, p.mean, len(BINS_MM))
    if points is None:
        points = float(_left_diagonal(K, p) @ (1.0 / p.n))
    return np.concatenate([[points], by])


def _left_diagonal(K: Floats, p: _Patches) -> Floats:
    A, B = p.answer @ p.back, p.mean
    M = K @ B - 0.5 * A @ (B.T @ K @ B)
    return np.asarray(np.diag(K) - 2.0 * np.einsum("ij,ij->i", A, M))


def _left_by_bin(K: Floats, place: NDArray[np.int64], A: Floats, B: Floats, n_bins: int) -> Floats:
    """What a fit leaves of scatter K, (I - A Bᵀ) K (I - B Aᵀ), the fit taking up A Bᵀ of it: summed by distance, the points
    themselves in bin 0; pairs beyond the last bin are left out."""
    KB = K @ B
    M = KB - 0.5 * A @ (B.T @ KB)  # (I - A Bᵀ) K (I - B Aᵀ) = K - A Mᵀ - M Aᵀ
    return np.asarray(_summed_by_bin(K, place, A, M, n_bins))


@njit(cache=True, nogil=True)
def _summed_by_bin(K: Floats, place: NDArray[np.int64], A: Floats, M: Floats, n_bins: int) -> Floats:
    n, m = A.shape
    sums = np.zeros(n_bins)
    for i in range(n):
        for j in range(i, n):
            bin_ = place[i, j] if i != j else 0
            if bin_ >= n_bins:
                continue
            left = K[i, j]
            for k in range(m):
                left -= A[i, k] * M[j, k] + M[i, k] * A[j, k]
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
    return float(np.sqrt(square / total * chi2_quantile(0.95, total**2 / square)))

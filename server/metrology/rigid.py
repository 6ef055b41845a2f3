"""Rigid fits of paired points: rotation and shift only, never scale, never reflection; residuals recomputed.

Source: Kabsch 1976; Horn 1987; Umeyama 1991 (IEEE TPAMI 13:376-380) for the sign that keeps det +1 and for the scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

RANK_TOLERANCE = 1e-9
"""Singular values of the paired spread that sum to less than this share of it leave the turn open."""


@dataclass(frozen=True, slots=True)
class RigidFit:
    """How a set of paired points lies on another, in d = 2 or 3 dimensions.

    T_target_source: (d+1, d+1) float64, homogeneous, maps source to target coordinates; rotation with det +1.
    residual_mm: (n,) distances left after the fit, recomputed from the points. rms_mm: weighted, over those used.
    scale_ratio: the scale that would fit best with this rotation (Umeyama's c); reported, never applied.
    n_used: pairs of positive weight. is_determined: False where the points leave a rotation open (all on one line).
    """

    T_target_source: Array
    residual_mm: Array
    rms_mm: float
    scale_ratio: float
    n_used: int
    is_determined: bool


def fit_rigid(source: Array, target: Array, weights: Array | None = None) -> RigidFit:
    """The rotation and shift that bring source (n, d) closest to target (n, d) in the least-squares sense.

    weights: (n,) not negative; all equal where none are given. Raises ValueError for unequal shapes, no pair, or
    numbers that are not finite.
    """
    x, y = np.asarray(source, dtype=np.float64), np.asarray(target, dtype=np.float64)
    w = np.ones(len(x)) if weights is None else np.asarray(weights, dtype=np.float64)
    _check_pairs(x, y, w)
    share = w / w.sum()
    mean_x, mean_y = share @ x, share @ y
    xc, yc = x - mean_x, y - mean_y
    u, stretch, vt = np.linalg.svd((yc * share[:, None]).T @ xc)
    signs = np.ones(x.shape[1])
    signs[-1] = np.sign(np.linalg.det(u) * np.linalg.det(vt))
    rotation = u @ (signs[:, None] * vt)
    spread = float(share @ np.einsum("ij,ij->i", xc, xc))
    T = np.eye(x.shape[1] + 1)
    T[:-1, :-1] = rotation
    T[:-1, -1] = mean_y - rotation @ mean_x
    residual = np.linalg.norm(apply(T, x) - y, axis=1)
    return RigidFit(
        T_target_source=T,
        residual_mm=residual,
        rms_mm=float(np.sqrt(share @ residual**2)),
        scale_ratio=float(signs @ stretch) / spread if spread > 0.0 else 1.0,
        n_used=int(np.count_nonzero(w)),
        is_determined=_is_determined(xc, yc, w, stretch, float(signs[-1])),
    )


def _check_pairs(x: Array, y: Array, w: Array) -> None:
    if x.shape != y.shape or x.ndim != 2 or x.shape[1] not in (2, 3) or w.shape != (len(x),):
        raise ValueError("paired points need the same shape (n, 2) or (n, 3), and one weight each")
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(w).all()):
        raise ValueError("paired points must be finite")
    if (w < 0.0).any() or not w.any():
        raise ValueError("a rigid fit needs at least one pair of positive weight, and none of negative")


def _is_determined(xc: Array, yc: Array, w: Array, stretch: Array, sign: float) -> bool:
    """Whether the turn is unique: the two smallest singular values, the last with its sign, must not cancel."""
    used = w > 0.0
    size = np.sqrt(float((xc[used] ** 2).sum()) * float((yc[used] ** 2).sum())) / int(used.sum())
    return bool(stretch[-2] + sign * stretch[-1] > RANK_TOLERANCE * size)


def apply(T: Array, points: Array) -> Array:
    """Points (n, d) under a homogeneous transform (d+1, d+1)."""
    return np.asarray(points @ T[:-1, :-1].T + T[:-1, -1])


def turn(T: Array, directions: Array) -> Array:
    """Directions (n, d) under the rotation of a homogeneous transform."""
    return np.asarray(directions @ T[:-1, :-1].T)


def inverse(T: Array) -> Array:
    """The transform back, for a rigid one."""
    out = np.eye(len(T))
    out[:-1, :-1] = T[:-1, :-1].T
    out[:-1, -1] = -T[:-1, :-1].T @ T[:-1, -1]
    return out


def angle_deg(T: Array) -> float:
    """The angle of a transform's rotation in space; exact also near 0 and 180 degrees."""
    R = T[:3, :3]
    sine2 = np.linalg.norm([R[2, 1] - R[1, 2], R[0, 2] - R[2, 0], R[1, 0] - R[0, 1]])
    return float(np.degrees(np.arctan2(sine2, np.trace(R) - 1.0)))


def angle_between_deg(u: Array, v: Array) -> float:
    """The angle of two directions (3,), of any length; exact also near 0 and 180 degrees."""
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(u, v)), u @ v)))


def small_motion(motion: Array) -> Array:
    """The transform (4, 4) of a motion (rx, ry, rz, tx, ty, tz), rotation vector in radians (Rodrigues), then shift."""
    angle = float(np.linalg.norm(motion[:3]))
    T = np.eye(4)
    T[:3, 3] = motion[3:]
    if angle > 0.0:
        x, y, z = motion[:3] / angle
        K = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        T[:3, :3] += np.sin(angle) * K + (1.0 - np.cos(angle)) * (K @ K)
    return T


def leave_one_out_mm(source: Array, target: Array) -> Array:
    """For each pair (n,) its distance after a rigid fit to all the others: what a whole-set best fit hides.

    Raises ValueError for fewer than four pairs in space (three would leave two, which determine no turn).
    """
    n, d = np.shape(source)
    if n < d + 1:
        raise ValueError(f"leaving one out needs at least {d + 1} pairs")
    out = np.empty(n)
    for i in range(n):
        weights = np.ones(n)
        weights[i] = 0.0
        out[i] = fit_rigid(source, target, weights).residual_mm[i]
    return out


def pair_differences_mm(source: Array, target: Array) -> Array:
    """(n, n) signed: distance between each two targets minus that between the same two sources."""
    between = [np.linalg.norm(p[:, None, :] - p[None, :, :], axis=2) for p in (source, target)]
    return np.asarray(between[1] - between[0])

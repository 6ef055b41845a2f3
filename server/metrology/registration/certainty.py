"""How well a fit is held: its covariance, the motions nothing holds, and what that means at a place.

Residuals of two scans are not independent: noise is smooth over millimetres, stitching drifts over centimetres. The
covariance is therefore summed over patches instead of points (the cluster-robust sandwich of Liang & Zeger 1986), for
several sizes of patch, and the largest is taken.

Not seen: stitching that carries a scan, or a long part of it, as a whole; `widened` adds what is known of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.metrology.quantiles import chi2_quantile, student_quantile
from server.metrology.registration.fit import Fit, jacobian
from server.metrology.registration.rings import smoothed
from server.metrology.rigid import apply

Floats = NDArray[np.float64]

PATCHES_MM = (3.0, 7.0, 15.0)
FEWEST_PATCHES, FEWEST_LARGER = 9, 14
"""Patches of the smallest size that tells anything, and of a larger one to be heard beside it: of nine patches, six of which the
fit takes up, the greatest of several estimates is mostly chance."""
HELD_POINTS = 5_000
FEWEST_USED = 6
LEAST_HELD = 0.001
"""A motion whose share of the points' resistance (1/3 for an even spread of normals) is below this is not held."""


@dataclass(frozen=True, slots=True)
class Certainty:
    """covariance: (6, 6), rotation vector (rad) about `centre` (3,), then shift (mm), in the fixed surface's frame.

    freedom: patches less parameters, for Student's t. loose: (k, 6) unit motions that nothing holds, the rotation part in
    units of one radian per `arm_mm`; empty where all six are held.
    """

    covariance: Floats
    centre: Floats
    freedom: int
    arm_mm: float
    loose: Floats

    @property
    def u95_rotation_deg(self) -> float:
        """Half the angle of the cone of rotation vectors that holds the true one with 95 %."""
        return float(np.degrees(self._radius(self.covariance[:3, :3])))

    def u95_mm(self, place: Floats) -> float:
        """Radius of the ball that holds, with 95 %, where a point at `place` (3,) truly belongs."""
        return self._radius(self._at(place))

    def u95_along_mm(self, place: Floats, direction: Floats) -> float:
        """Half the length that holds it, with 95 %, along a direction (3,) unit; infinite where something is not held."""
        return self._half(float(direction @ self._at(place) @ direction))

    def u95_about_deg(self, axis: Floats) -> float:
        """The same of the turn about an axis (3,) unit, in degrees."""
        return float(np.degrees(self._half(float(axis @ self.covariance[:3, :3] @ axis))))

    def _at(self, place: Floats) -> Floats:
        """(3, 3) covariance of where a point at `place` belongs."""
        x, y, z = np.asarray(place, dtype=np.float64) - self.centre
        J = np.hstack([np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]), np.eye(3)])
        return np.asarray(J @ self.covariance @ J.T)

    def _half(self, variance: float) -> float:
        if len(self.loose):
            return float("inf")
        return float(student_quantile(0.975, max(self.freedom, 1)) * np.sqrt(max(variance, 0.0)))

    def carried(self, T: Floats) -> Certainty:
        """The same in another frame, for the motion the other way round. T: (4, 4) from this frame to that."""
        turn = np.kron(np.eye(2), T[:3, :3])
        covariance = turn @ self.covariance @ turn.T
        return Certainty(covariance, apply(T, self.centre), self.freedom, self.arm_mm, self.loose @ turn.T)

    def about(self, centre: Floats) -> Certainty:
        """The same with rotations taken about another centre (3,)."""
        x, y, z = self.centre - np.asarray(centre, dtype=np.float64)
        J = np.eye(6)
        J[3:, :3] = [[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]]
        return replace(
            self, covariance=J @ self.covariance @ J.T, centre=np.asarray(centre, dtype=np.float64)
        )

    def plus(self, other: Certainty) -> Certainty:
        """Of two motions one after the other, both in this frame, whose errors know nothing of each other."""
        same = other.about(self.centre)
        return replace(
            self,
            covariance=self.covariance + same.covariance,
            freedom=min(self.freedom, other.freedom),
            arm_mm=max(self.arm_mm, other.arm_mm),
            loose=np.vstack([self.loose, other.loose]),
        )

    def widened(self, stitching_mm: float, arm_mm: float | None = None) -> Certainty:
        """The same where the surfaces as scanned lie off the true ones: by a standard deviation of `stitching_mm` as a
        whole, and turned by as much over `arm_mm`, their own arm where none is given. A fit cannot see it: both are then
        moved alike, or bent.
        """
        variance = stitching_mm**2
        extra = np.diag([variance / (arm_mm or self.arm_mm) ** 2] * 3 + [variance] * 3)
        return replace(self, covariance=self.covariance + extra)

    def _radius(self, covariance: Floats) -> float:
        """Radius of a ball with 95 % of a normal distribution (two moments, Patnaik 1949), widened for few patches."""
        if len(self.loose):
            return float("inf")
        spread = np.linalg.eigvalsh(covariance)
        total, squares = float(spread.sum()), float((spread**2).sum())
        if total <= 0.0:
            return 0.0
        widened = (student_quantile(0.975, max(self.freedom, 1)) / 1.96) ** 2
        return float(np.sqrt(widened * squares / total * chi2_quantile(0.95, total**2 / squares)))


def certainty_of(fit: Fit) -> Certainty:
    """How well the fit is held by the points that agree."""
    used = fit.weights > 0.0
    if np.count_nonzero(used) < FEWEST_USED:
        return Certainty(np.zeros((6, 6)), fit.centre, 1, 1.0, np.eye(6))
    J = jacobian(fit.meeting, fit.centre)[used]
    arms = fit.meeting.at[used] - fit.centre
    arm = max(float(np.sqrt((arms**2).sum(axis=1).mean())), 1e-6)
    loose = _loose(fit, arm)
    scores = J * (fit.weights[used] * fit.meeting.offset_mm[used])[:, None]
    inverse = np.linalg.pinv((J * fit.slopes[used, None]).T @ J, rcond=1e-12, hermitian=True)
    best, freedom = np.zeros((6, 6)), 1
    for size in PATCHES_MM:
        patches = _patch_sums(scores, fit.meeting.at[used], size)
        n = len(patches)
        if n < (FEWEST_PATCHES if freedom == 1 else FEWEST_LARGER):
            continue
        covariance = inverse @ (patches.T @ patches) @ inverse * (n / (n - 6))
        if np.trace(_even(covariance, arm)) > np.trace(_even(best, arm)):
            best, freedom = covariance, n - 6
    return Certainty(best, fit.centre, freedom, arm, loose)


def _even(covariance: Floats, arm_mm: float) -> Floats:
    """The covariance with rotations as the millimetres they make at the arm's length."""
    scale = np.array([arm_mm] * 3 + [1.0] * 3)
    return covariance * np.outer(scale, scale)


def _loose(fit: Fit, arm_mm: float) -> Floats:
    """Eigenvectors (k, 6) of the evened normal matrix that hardly any point resists (after Gelfand 2003).

    Normals are averaged over a millimetre or two first: their scatter alone would seem to hold a plane from sliding.
    """
    used = np.flatnonzero(fit.weights > 0.0)
    used = used[:: max(1, len(used) // HELD_POINTS)]
    at, weights = fit.meeting.at[used], fit.weights[used]
    normals = smoothed(at, fit.meeting.normals[used])
    J = np.hstack([np.cross(at - fit.centre, normals) / arm_mm, normals])
    held, motions = np.linalg.eigh((J * weights[:, None]).T @ J / weights.sum())
    return np.ascontiguousarray(motions[:, held < LEAST_HELD].T)


def _patch_sums(scores: Floats, points: Floats, size_mm: float) -> Floats:
    cells = np.floor((points - points.min(axis=0)) / size_mm).astype(np.int64)
    number = (cells[:, 0] << 42) | (cells[:, 1] << 21) | cells[:, 2]
    _, patch = np.unique(number, return_inverse=True)
    return np.stack([np.bincount(patch, weights=scores[:, k]) for k in range(6)], axis=1)

"""A set of implant poses in one frame, each with what is said of its own uncertainty; and two sets paired."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.metrology.quantiles import chi2_quantile
from server.metrology.rigid import apply, turn

Floats = NDArray[np.float64]

MOST_POSES = 16
LEAST_U95_POSITION_MM, LEAST_U95_AXIS_DEG = 0.0005, 0.005
"""No instrument of this trade knows a seat or an axis better; a smaller statement is raised to this."""
BALL_95 = float(np.sqrt(chi2_quantile(0.95, 3)))
CONE_95 = float(np.sqrt(chi2_quantile(0.95, 2)))
"""Radius that holds 95 % of an even normal scatter of one unit per direction: 2.795 in space, 2.448 across an axis."""
LINE_95 = float(np.sqrt(chi2_quantile(0.95, 1)))
"""Half the interval that holds 95 % along one direction, 1.960: of a length or an angle, whose scatter is that along it. One
that is small against its scatter is measured too large, on the average, never too small (Rice 1945)."""


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """Implant poses in any one frame, in any order.

    positions_mm: (n, 3) seats. axes: (n, 3) of length 1, away from the seat. u95_position_mm: (n,) radius of the ball that
    holds the true seat with 95 %; u95_axis_deg: (n,) half-angle of the cone about the axis. clocks: (n, 3) of length 1
    across the axis, or None; u95_clock_deg: (n,) beside them, 1° where not said. A clock may be NaN where one is not known.

    Raises ValueError for other shapes, more than MOST_POSES, numbers that are not finite, axes that are not of length 1.
    """

    positions_mm: Floats
    axes: Floats
    u95_position_mm: Floats
    u95_axis_deg: Floats
    clocks: Floats | None = None
    u95_clock_deg: Floats | None = None

    def __post_init__(self) -> None:
        n = len(self.positions_mm)
        if n > MOST_POSES:
            raise ValueError(f"more than {MOST_POSES} poses")
        if np.shape(self.positions_mm) != (n, 3) or np.shape(self.axes) != (n, 3):
            raise ValueError("positions and axes need the shape (n, 3)")
        if np.shape(self.u95_position_mm) != (n,) or np.shape(self.u95_axis_deg) != (n,):
            raise ValueError("uncertainties need the shape (n,)")
        known = (self.positions_mm, self.axes, self.u95_position_mm, self.u95_axis_deg)
        if not all(np.isfinite(x).all() for x in known):
            raise ValueError("poses must be finite")
        if (np.abs(np.linalg.norm(self.axes, axis=1) - 1.0) > 1e-6).any():
            raise ValueError("axes must be of length 1")
        if min(np.min(self.u95_position_mm, initial=1.0), np.min(self.u95_axis_deg, initial=1.0)) <= 0.0:
            raise ValueError("uncertainties must be positive")
        if self.clocks is not None and np.shape(self.clocks) != (n, 3):
            raise ValueError("clocks need the shape (n, 3)")

    def __len__(self) -> int:
        return len(self.positions_mm)

    @property
    def sigma_position_mm(self) -> Floats:
        """(n,) standard deviation of a position per direction."""
        return np.maximum(self.u95_position_mm, LEAST_U95_POSITION_MM) / BALL_95

    @property
    def sigma_axis_rad(self) -> Floats:
        """(n,) standard deviation of an axis per direction across it."""
        return np.radians(np.maximum(self.u95_axis_deg, LEAST_U95_AXIS_DEG)) / CONE_95

    def moved(self, T: Floats) -> Poses:
        """The same poses under a rigid motion (4, 4)."""
        clocks = None if self.clocks is None else turn(T, self.clocks)
        return replace(self, positions_mm=apply(T, self.positions_mm), axes=turn(T, self.axes), clocks=clocks)

    def mirrored(self) -> Poses:
        """The mirror image in the plane x = 0; any other plane gives the same set, moved."""
        return self.moved(np.diag([-1.0, 1.0, 1.0, 1.0]))

    def taken(self, which: NDArray[np.int64]) -> Poses:
        """The poses of the given indices, in that order."""
        return Poses(
            self.positions_mm[which],
            self.axes[which],
            self.u95_position_mm[which],
            self.u95_axis_deg[which],
            None if self.clocks is None else self.clocks[which],
            None if self.u95_clock_deg is None else self.u95_clock_deg[which],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Paired:
    """Poses of two sets, paired by row. a, b: of equal length n."""

    a: Poses
    b: Poses

    def __len__(self) -> int:
        return len(self.a)

    @property
    def sigma_position_mm(self) -> Floats:
        """(n,) stated standard deviation of a difference of positions, per direction."""
        return np.asarray(np.hypot(self.a.sigma_position_mm, self.b.sigma_position_mm))

    @property
    def sigma_axis_rad(self) -> Floats:
        """(n,) of a difference of axes, per direction."""
        return np.asarray(np.hypot(self.a.sigma_axis_rad, self.b.sigma_axis_rad))


def cross(u: Floats, v: Floats) -> Floats:
    """u x v for (..., 3): numpy's own spends ten times as long on checks as on a handful of sites."""
    out = np.empty(np.broadcast_shapes(u.shape, v.shape))
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        out[..., i] = u[..., j] * v[..., k] - u[..., k] * v[..., j]
    return out


def angles_rad(u: Floats, v: Floats) -> Floats:
    """Angle between directions (..., 3), by atan2(|u x v|, u . v), which loses nothing near 0 and 180 degrees."""
    sine = np.sqrt((cross(u, v) ** 2).sum(axis=-1))
    return np.asarray(np.arctan2(sine, (u * v).sum(axis=-1)))


def ball_radius(C: Floats) -> float:
    """Radius that holds 95 % of a normal scatter of covariance C (d, d) (Satterthwaite's chi-square for a sum of squares)."""
    values = np.maximum(np.linalg.eigvalsh(C), 0.0)
    total, square = float(values.sum()), float((values**2).sum())
    if total <= 0.0:
        return 0.0
    return float(np.sqrt(square / total * chi2_quantile(0.95, total**2 / square)))

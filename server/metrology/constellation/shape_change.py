"""How an arch as a whole differs from another: named ways of changing shape, each with its size and uncertainty.

The ways are fields of shifts over the arch, fitted together with a rigid motion to what is left between two sets, by
positions and axes. The arch's own directions come from B: across, from one end to the other; out of the arch, the mean of
the axes made square to it; front, towards the bow. Which end is left is not known here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from server.metrology.constellation.path import path_through
from server.metrology.constellation.poses import Floats, Paired, Poses
from server.metrology.constellation.seating import Misfit, misfit_of, motion_columns, seated, sigmas, stacked
from server.metrology.quantiles import widened_for_few
from server.metrology.rigid import fit_rigid

PRIOR_SIGMA_MM = 1.0
"""No arch is off by millimetres as a whole; what the sites cannot tell comes out as 0 with an U95 of about twice this."""
LEAST_DEPTH_MM = 5.0
"""An arch less deep has no front to move."""


class Way(StrEnum):
    """width: A's ends farther apart (+) than B's. depth: A's front farther (+) from its ends. skew: one side moved forward
    against the other. bow: the ends up (+, the way the axes point) against the middle. twist: one side's end up against
    the other's, the front staying."""

    WIDTH = "width"
    DEPTH = "depth"
    SKEW = "skew"
    BOW = "bow"
    TWIST = "twist"


@dataclass(frozen=True, slots=True)
class Change:
    """size_mm: of the whole way over the arch, A less B; u95_mm: expanded uncertainty."""

    way: Way
    size_mm: float
    u95_mm: float

    @property
    def is_told(self) -> bool:
        return abs(self.size_mm) > self.u95_mm


@dataclass(frozen=True, slots=True, eq=False)
class ArchDirections:
    """across, front, out: (3,) unit, at right angles, in A's frame; origin_mm: (3,) the mean of the sites."""

    across: Floats
    front: Floats
    out: Floats
    origin_mm: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ShapeChange:
    """changes: one per Way, in its order. directions: of the arch. leading_mm: (n, 3) the fitted ways together as shifts of
    each pair, A less B, in A's frame: the field to be drawn; share: how much of the squared misfit they take up."""

    changes: tuple[Change, ...]
    directions: ArchDirections
    leading_mm: Floats
    share: float

    @property
    def largest(self) -> Change:
        """The way that stands out most from its uncertainty."""
        return max(self.changes, key=lambda c: abs(c.size_mm) / c.u95_mm)


def shape_change_of(pairs: Paired) -> ShapeChange:
    """The change of shape from B to A, at least three pairs."""
    n = len(pairs)
    misfit = misfit_of(pairs, seated(pairs))
    frame = directions_of(misfit)
    ways = _ways(misfit.at_mm, frame)
    W = np.concatenate([ways.reshape(3 * n, len(Way)), np.zeros((2 * n, len(Way)))])
    root = 1.0 / sigmas(pairs)
    X = np.hstack([motion_columns(misfit), W]) * root[:, None]
    y = stacked(misfit) * root
    held = np.diag([0.0] * 6 + [PRIOR_SIGMA_MM**-2] * len(Way))
    C = np.linalg.pinv(X.T @ X + held, rcond=1e-14)
    found = C @ (X.T @ y)
    noise2, stretch = _noise(y - X @ found, 5 * n - 6 - len(Way))
    C = np.linalg.pinv(X.T @ X / noise2 + held, rcond=1e-14)
    found = C @ (X.T @ y) / noise2
    u95 = stretch * 1.96 * np.sqrt(np.diag(C)[6:])
    before, after = float(y @ y), float(((y - X @ found) ** 2).sum())
    return ShapeChange(
        changes=tuple(Change(w, float(s), float(u)) for w, s, u in zip(Way, found[6:], u95, strict=True)),
        directions=frame,
        leading_mm=np.einsum("nij,j->ni", ways, found[6:]),
        share=max(0.0, 1.0 - after / before) if before > 0.0 else 0.0,
    )


def _noise(left: Floats, freedom: int) -> tuple[float, float]:
    """Variance by which the stated noise is to be multiplied, never below 1, and Student's stretch for so few."""
    found = float(left @ left) / max(freedom, 1)
    if found <= 1.0:
        return 1.0, 1.0
    return found, widened_for_few(max(freedom, 1))


def directions_of(misfit: Misfit) -> ArchDirections:
    """The arch's own directions, from the sites as mapped into A's frame."""
    at, order = misfit.at_mm, path_through(misfit.at_mm).order
    first, last = (
        (at[order[0]], at[order[-1]])
        if tuple(at[order[0]]) < tuple(at[order[-1]])
        else (at[order[-1]], at[order[0]])
    )
    across = (last - first) / np.linalg.norm(last - first)
    out = misfit.axes.mean(axis=0)
    out = out - across * (out @ across)
    if np.linalg.norm(out) < 1e-6:
        out = np.eye(3)[np.argmin(np.abs(across))]
        out = out - across * (out @ across)
    out /= np.linalg.norm(out)
    front = np.cross(out, across)
    middle = at.mean(axis=0) - 0.5 * (first + last)
    if front @ middle < 0.0:
        front, across = -front, -across
    return ArchDirections(across, front, out, at.mean(axis=0))


def _ways(at_mm: Floats, frame: ArchDirections) -> Floats:
    """(n, 3, 5) shifts of each site for a size of 1 mm of each way."""
    r = at_mm - frame.origin_mm
    x, y = r @ frame.across, r @ frame.front
    width, depth = float(np.ptp(x)), float(np.ptp(y))
    deep = 1.0 if depth >= LEAST_DEPTH_MM else 0.0
    half = 0.5 * max(width, 1e-6)
    fields = (
        (frame.across, x / max(width, 1e-6)),
        (frame.front, deep * y / max(depth, LEAST_DEPTH_MM)),
        (frame.front, deep * x / max(width, 1e-6)),
        (frame.out, (x / half) ** 2),
        (frame.out, deep * (x / half) * (y.max() - y) / max(depth, LEAST_DEPTH_MM) * 0.5),
    )
    return np.stack([np.outer(size, direction) for direction, size in fields], axis=2)


@dataclass(frozen=True, slots=True)
class Scale:
    """ratio: A over B. u95: its expanded uncertainty, from what the fit leaves and what is stated, the larger."""

    ratio: float
    u95: float


def scale_of(pairs: Paired) -> Scale:
    """How much larger A is than B, by positions alone, at least three pairs; reported, never applied."""
    n = len(pairs)
    sigma = pairs.sigma_position_mm
    w = sigma**-2
    a, b = pairs.a.positions_mm, pairs.b.positions_mm
    ratio = fit_rigid(b, a, w).scale_ratio
    left = fit_rigid(b * ratio, a, w).residual_mm
    noise2, stretch = _noise(left / sigma, 3 * n - 7)
    spread = float((w * ((b - w @ b / w.sum()) ** 2).sum(axis=1)).sum())
    return Scale(ratio, stretch * 1.96 * float(np.sqrt(noise2 / max(spread, 1e-12))))


def ap_spread_mm(poses: Poses) -> float:
    """How far the most anterior implant stands before the line through the ends of the arch, centre to centre.

    *Source*: English 1990, definition B of two in use (the other reckons to the distal aspects of the last ones).
    """
    frame = directions_of(misfit_of(Paired(poses, poses), np.eye(4)))
    order = path_through(poses.positions_mm).order
    return float(((poses.positions_mm - poses.positions_mm[order[0]]) @ frame.front).max())

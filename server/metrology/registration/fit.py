"""The exact fit: points against the surface itself, each to the plane it lies on, weighed down where they disagree.

Point-to-plane steps (Chen & Medioni 1991) with exact closest points; weights after Geman & McClure, whose scale falls
from what the start may be off to the scatter of what agrees, so that what has changed between two scans pulls no more,
also where that is the greater part of what overlaps, or differs by no more than single points scatter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.registration.agreement import (
    LEAST_SIGMA_MM,
    MAD,
    Patches,
    Weights,
    core_sigma,
    weights_by,
)
from server.metrology.registration.surface import Samples, Surface
from server.metrology.rigid import apply, small_motion, turn
from server.metrology.scan import Points

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_COSINE = 0.5
"""Normals further apart than 60 degrees are not the same piece of surface."""
OVERLAP_MM = 1.0
"""Points that find a surface of the same facing within this lie in the overlap."""
SHRINK = 0.6
LEAST_SCALE_MM = 0.012
SCALE_PER_SIGMA = 3.0
LEAST_STEEPNESS = 0.35
STILL_MM = 1e-4
"""A step that moves the points by less than this (root mean square) ends the fit."""


@dataclass(frozen=True, slots=True)
class Meeting:
    """How the points lie on the other surface under a pose.

    is_met: (n,) whether the closest point lies within reach, not on a border, and faces the same way. offset_mm: (n,)
    signed distance along the other surface's normal, where met. at: (n, 3) the moved points; normals: (n, 3) of the
    other surface there, smooth.
    """

    is_met: Bools
    offset_mm: Floats
    at: Points
    normals: Points

    def within(self, reach_mm: float) -> Meeting:
        """The same for what is met within less."""
        is_met = self.is_met & (np.abs(self.offset_mm) <= reach_mm)
        return Meeting(is_met, np.where(is_met, self.offset_mm, 0.0), self.at, self.normals)


@dataclass(frozen=True, slots=True)
class Fit:
    """T: (4, 4) target from probe. scale_mm: of the weights at the end; weights, slopes: (n,), about `centre` (3,); sigma_mm: robust
    scatter of the offsets, core_mm: of those that agree with each other."""

    T: Floats
    meeting: Meeting
    weights: Floats
    slopes: Floats
    scale_mm: float
    sigma_mm: float
    core_mm: float
    centre: Floats
    converged: bool
    n_steps: int


def meeting_of(probe: Samples, target: Surface, T: Floats, reach_mm: float) -> Meeting:
    """The probe's points on the target under T."""
    at = apply(T, probe.points)
    nearest = target.tree.nearest(at, reach_mm)
    scan = target.topology.scan
    normals = np.zeros_like(at)
    found = nearest.facets >= 0
    found[found] = ~target.is_border_facet[nearest.facets[found]]
    corners = scan.faces[nearest.facets[found]]
    normals[found] = smooth_normals(
        scan.vertices[corners], target.topology.vertex_normals[corners], nearest.points[found]
    )
    is_met = found & (np.einsum("ij,ij->i", turn(T, probe.normals), normals) > LEAST_COSINE)
    step = np.where(is_met[:, None], at - nearest.points, 0.0)
    side = np.einsum("ij,ij->i", step, normals)
    offset = np.where(side < 0.0, -1.0, 1.0) * np.where(is_met, nearest.distance_mm, 0.0)
    return Meeting(is_met, offset, at, normals)


@njit(cache=True, nogil=True)
def smooth_normals(corners: Floats, normals: Floats, points: Points) -> Points:
    """Normals of corners (n, 3, 3) at points on their facets, by barycentric weights; unit."""
    out = np.empty_like(points)
    for i in range(points.shape[0]):
        a, b, c = corners[i, 0], corners[i, 1], corners[i, 2]
        u, v, w = b - a, c - a, points[i] - a
        uu, uv, vv = np.dot(u, u), np.dot(u, v), np.dot(v, v)
        wu, wv = np.dot(w, u), np.dot(w, v)
        det = uu * vv - uv * uv
        s, t = (
            (1.0 / 3.0, 1.0 / 3.0) if det <= 1e-18 else ((vv * wu - uv * wv) / det, (uu * wv - uv * wu) / det)
        )
        n = (1.0 - s - t) * normals[i, 0] + s * normals[i, 1] + t * normals[i, 2]
        length = np.sqrt(np.dot(n, n))
        out[i] = n / length if length > 1e-6 else n
    return out


def fit_from(
    probe: Samples,
    target: Surface,
    start: Floats,
    *,
    scale_mm: float,
    steps: int,
    patches: Patches | None = None,
) -> Fit:
    """The pose that the start leads to, and how the points meet the surface there, within OVERLAP_MM.

    scale_mm: what the start may be off; steps: the most to be taken; patches: of the probe, to weigh them as well."""
    T, scale, sigma = start, scale_mm, scale_mm
    converged, taken = False, 0
    for step in range(steps):
        taken = step + 1
        reach = min(max(4.0 * scale, 0.3), 1.5)
        met = meeting_of(probe, target, T, max(reach, OVERLAP_MM))
        meeting = met.within(reach)
        sigma = core_sigma(meeting.offset_mm[meeting.is_met])
        scale = max(SHRINK * scale, SCALE_PER_SIGMA * sigma, LEAST_SCALE_MM) if step else scale
        onward, moved = stepped(T, meeting, weights_of(meeting, scale, patches if step else None))
        converged = moved < STILL_MM and scale <= 1.05 * max(SCALE_PER_SIGMA * sigma, LEAST_SCALE_MM)
        if converged:
            break
        T = onward
    meeting = met.within(OVERLAP_MM) if converged else meeting_of(probe, target, T, OVERLAP_MM)
    weights = weights_of(meeting, scale, patches)
    centre = _centre(meeting, weights.values)
    sigma, core = _sigma_mm(meeting), core_sigma(meeting.offset_mm[meeting.is_met])
    return Fit(T, meeting, weights.values, weights.slopes, scale, sigma, core, centre, converged, taken)


def stepped(T: Floats, meeting: Meeting, weights: Weights) -> tuple[Floats, float]:
    """The pose after one step under weights, and how far it moved, mm at 20 mm from the middle."""
    centre = _centre(meeting, weights.values)
    J = jacobian(meeting, centre)
    weighted = J * weights.values[:, None]
    H, g = weighted.T @ J, -weighted.T @ meeting.offset_mm
    motion: Floats = np.linalg.solve(_steepness(H, J, weights.slopes), g).astype(np.float64)
    moved = np.linalg.norm(motion[3:]) + np.linalg.norm(motion[:3]) * 20.0
    return _moved(T, motion, centre), float(moved)


def _steepness(H: Floats, J: Floats, slopes: Floats) -> Floats:
    """(6, 6) of the pull by the motion: by the slopes of the weights (Newton's steps) where these are nowhere far below the
    weights, so that the steps stay short; else by the weights, which lead there more slowly and from farther off."""
    held = H + _stiffness(H)
    root = np.linalg.cholesky(held)
    steep = (J * slopes[:, None]).T @ J + _stiffness(H)
    across = np.linalg.solve(root, np.linalg.solve(root, steep).T)
    return steep if np.linalg.eigvalsh(across)[0] > LEAST_STEEPNESS else held


def _sigma_mm(meeting: Meeting) -> float:
    """Robust standard deviation about zero of the offsets; a tenth of a micrometre at least."""
    offsets = np.abs(meeting.offset_mm[meeting.is_met])
    return max(MAD * float(np.median(offsets)), LEAST_SIGMA_MM) if len(offsets) else 1.0


def weights_of(meeting: Meeting, scale_mm: float, patches: Patches | None = None) -> Weights:
    """By each point's own offset, and by that of the patch it lies in, where patches are given."""
    own = weights_by(meeting.offset_mm, meeting.is_met, scale_mm)
    return own if patches is None else patches.weigh(meeting.offset_mm, own, meeting.is_met)


def jacobian(meeting: Meeting, centre: Floats) -> Floats:
    """(n, 6) how each offset changes under a small rotation about `centre` and a shift."""
    return np.hstack([np.cross(meeting.at - centre, meeting.normals), meeting.normals])


def _centre(meeting: Meeting, weights: Floats) -> Floats:
    total = float(weights.sum())
    return np.asarray(weights @ meeting.at / total if total > 0.0 else meeting.at.mean(axis=0))


def _stiffness(H: Floats) -> Floats:
    """Keeps in place what nothing holds; too weak to hold back what something does."""
    held = max(1e-7 * float(np.trace(H[3:, 3:])), 1e-9)
    return np.diag([400.0 * held] * 3 + [held] * 3)


def _moved(T: Floats, motion: Floats, centre: Floats) -> Floats:
    """T followed by a small rotation about `centre` and a shift."""
    M = small_motion(motion)
    M[:3, 3] += centre - M[:3, :3] @ centre
    return np.asarray(M @ T)

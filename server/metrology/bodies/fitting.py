"""The fit of a reference body to the points of a scan: robust, point to plane, on faces and not on edges.

Method: Chen & Medioni 1991 (point to plane); weights after Beaton & Tukey 1974; scale from the median absolute
deviation. Points are left out whose nearest place on the reference is a border or a sharp edge (scanners round edges),
whose surface faces elsewhere, and, at the end, whose neighbours in the mesh do not lie on the body either (where tissue
or a filled gap runs up to it, the last points on the body already bend away).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.bodies.reference import ReferenceBody
from server.metrology.rigid import Array, apply, inverse, small_motion, turn
from server.metrology.scan import Points

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

COARSE_MM, FINE_MM = (0.7, 0.45, 0.3), (0.3, 0.2, 0.15)
REACHES_MM = COARSE_MM + FINE_MM
MANY = 700
"""With more points than this the first rounds of the final fit, which need no precision, take a part of them."""
TUKEY = 4.685
LEAST_SIGMA_MM = 0.002
ROUNDED_MM = 0.15
"""Rounding takes no more off an edge."""
LEAST_POINTS = 30
NEARLY_MM, SETTLED_MM = 1e-3, 1e-4
FIRST_ROUNDS, CHOOSING_ROUNDS, MOST_ROUNDS = 6, 3, 10
"""From the last choosing round on the points stay chosen: two choices that call for each other would go on for ever."""


@dataclass(frozen=True, slots=True)
class Paired:
    """Scan points beside a body in its frame: where the nearest place of the reference is and how far along its normal.

    at: (n, 3) nearest places; normals: (n, 3) of the reference there; residual_mm: (n,) signed, + outside; counts: (n,)
    pairs that may enter a fit.
    """

    at: Points
    normals: Points
    residual_mm: Floats
    counts: Mask


@dataclass(frozen=True, slots=True)
class BodyFit:
    """T_scan_body: (4, 4). used: (n,) of the points given that carry weight; weights: (n,) 0 to 1; residual_mm: (n,).
    sigma_mm: robust scatter of those used. moved_mm: by the last round, 0 when settled."""

    T_scan_body: Array
    used: Mask
    weights: Floats
    residual_mm: Floats
    normals: Points
    at: Points
    sigma_mm: float
    moved_mm: float

    @property
    def rms_mm(self) -> float:
        return float(np.sqrt(np.mean(self.residual_mm[self.used] ** 2))) if self.used.any() else np.inf


def pair(body: ReferenceBody, T_scan_body: Array, points: Points, normals: Points, reach_mm: float) -> Paired:
    """Pairs scan points with the reference at a pose. normals: (n, 3) of the scan, outward."""
    back = inverse(T_scan_body)
    q = apply(back, points)
    nearest = body.tree.nearest(q, reach_mm)
    n, e, counts = _told_apart(q, turn(back, normals), nearest.points, nearest.facets, body.facet_normals)
    return Paired(nearest.points, n, e, counts)


@njit(cache=True, nogil=True)
def _told_apart(
    q: Points, looks: Points, on: Points, facets: NDArray[np.int32], facet_normals: Points
) -> tuple[Points, Floats, Mask]:
    """Of points q that look somewhere: the normal of the facet that lies nearest, how far they are off it along that normal,
    and whether they count: they look alike, and do not lie aslant of it."""
    n = len(q)
    normals, residual, counts = np.empty((n, 3)), np.zeros(n), np.zeros(n, dtype=np.bool_)
    for i in range(n):
        f = max(facets[i], 0)
        x, y, z = facet_normals[f, 0], facet_normals[f, 1], facet_normals[f, 2]
        normals[i, 0], normals[i, 1], normals[i, 2] = x, y, z
        if facets[i] < 0:
            continue
        u, v, w = q[i, 0] - on[i, 0], q[i, 1] - on[i, 1], q[i, 2] - on[i, 2]
        e = u * x + v * y + w * z
        aslant2 = max(u * u + v * v + w * w - e * e, 0.0)
        residual[i] = e
        is_alike = looks[i, 0] * x + looks[i, 1] * y + looks[i, 2] * z > 0.6
        counts[i] = is_alike and aslant2 < 0.1 * e * e + 4e-6
    return normals, residual, counts


def settle(
    body: ReferenceBody, T: Array, points: Points, normals: Points, reaches_mm: tuple[float, ...] = REACHES_MM
) -> BodyFit | None:
    """Steps from a first pose with a shrinking reach, all points near enough counting by Tukey's weight. None where
    too few do."""
    fit: BodyFit | None = None
    for reach in reaches_mm:
        paired = pair(body, T, points, normals, reach)
        fit = _solve(T, paired, paired.counts, reach / TUKEY)
        if fit is None:
            return None
        T = fit.T_scan_body
    return fit


def refine(
    body: ReferenceBody, T: Array, points: Points, normals: Points, faces: NDArray[np.int32]
) -> BodyFit | None:
    """The final fit, to convergence, on faces away from edges and away from what is not the body.

    faces: (m, 3) facets among the points. None where too few points remain.
    """
    fit: BodyFit | None = None
    step = len(points) // MANY
    for _ in range(FIRST_ROUNDS if step > 1 else 0):
        paired = pair(body, T, points[::step], normals[::step], 0.5)
        fit = _solve(T, paired, paired.counts & ~_by_edge(paired, body), None)
        if fit is None:
            break
        T = fit.T_scan_body
        if fit.moved_mm < NEARLY_MM:
            break
    keep = np.zeros(len(points), dtype=bool)
    for k in range(MOST_ROUNDS):
        paired = pair(body, T, points, normals, 0.5)
        if k < CHOOSING_ROUNDS:
            by_edge = _by_edge(paired, body)
            keep = ~by_edge & ~_by_strangers(paired, by_edge, faces)
        fit = _solve(T, paired, keep & paired.counts, None)
        if fit is None:
            return None
        T = fit.T_scan_body
        if k > 1 and fit.moved_mm < SETTLED_MM:
            break
    return fit


def _by_edge(paired: Paired, body: ReferenceBody) -> Mask:
    """Points so near to a sharp edge of the body that scanners may have rounded it there."""
    by = np.zeros(len(paired.at), dtype=bool)
    near = (np.abs(paired.residual_mm) < ROUNDED_MM) & np.isfinite(paired.at[:, 0])
    if body.crease_tree is not None and near.any():
        reach = np.append(body.crease_reach_mm, 0.0)
        d, edge = body.crease_tree.query(paired.at[near], distance_upper_bound=float(reach.max()))
        by[near] = d < reach[edge]
    return by


def _by_strangers(paired: Paired, by_edge: Mask, faces: NDArray[np.int32]) -> Mask:
    """Points that share a facet with one that is not on the body. A rounded edge is on it."""
    e = paired.residual_mm
    near = paired.counts
    if near.sum() < LEAST_POINTS:
        return np.zeros(len(e), dtype=bool)
    middle = float(np.median(e[near]))
    sigma = max(1.4826 * float(np.median(np.abs(e[near] - middle))), LEAST_SIGMA_MM)
    stranger = (~near | (np.abs(e) > 5.0 * sigma)) & ~by_edge
    return _touched(stranger, faces)


@njit(cache=True, nogil=True)
def _touched(marked: Mask, faces: NDArray[np.int32]) -> Mask:
    """The corners of all facets that have a marked corner."""
    out = np.zeros(len(marked), dtype=np.bool_)
    for i in range(len(faces)):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        if marked[a] or marked[b] or marked[c]:
            out[a] = out[b] = out[c] = True
    return out


def _solve(T: Array, paired: Paired, keep: Mask, sigma_mm: float | None) -> BodyFit | None:
    """One weighted Gauss-Newton step from the pose T."""
    if keep.sum() < LEAST_POINTS:
        return None
    e = paired.residual_mm
    if sigma_mm is None:
        sigma_mm = max(1.4826 * float(np.median(np.abs(e[keep]))), LEAST_SIGMA_MM)
    u = e / (TUKEY * sigma_mm)
    weights = np.where(keep & (np.abs(u) < 1.0), (1.0 - np.minimum(u * u, 1.0)) ** 2, 0.0)
    used = weights > 0.0
    if used.sum() < LEAST_POINTS:
        return None
    middle = paired.at[used].mean(axis=0)
    H, g = _normal_equations(paired.at, paired.normals, e, weights, middle)
    H += 1e-9 * np.trace(H) / 6.0 * np.eye(6)
    step = np.asarray(-np.linalg.solve(H, g), dtype=np.float64)
    motion = small_motion(step)
    motion[:3, 3] += middle - motion[:3, :3] @ middle
    # the points move by `motion` in the body's frame, hence the body by its inverse in the scan's
    T_new = T @ inverse(motion)
    moved = float(np.abs(step[3:]).max() + np.abs(step[:3]).max() * 3.0)
    return BodyFit(T_new, used, weights, e, paired.normals, paired.at, float(sigma_mm), moved)


def jacobian(at: Points, normals: Points, middle: Floats) -> Floats:
    """(n, 6) change of the residuals by a turn (rad) about `middle` and a shift (mm) of the points, body's frame."""
    return np.hstack([np.cross(at - middle, normals), normals])


@njit(cache=True, nogil=True)
def _normal_equations(
    at: Points, normals: Points, e: Floats, weights: Floats, middle: Floats
) -> tuple[Floats, Floats]:
    """JᵀWJ and JᵀWe of the rows of `jacobian`."""
    H, g, row = np.zeros((6, 6)), np.zeros(6), np.zeros(6)
    for i in range(len(e)):
        if weights[i] <= 0.0:
            continue
        x, y, z = at[i, 0] - middle[0], at[i, 1] - middle[1], at[i, 2] - middle[2]
        nx, ny, nz = normals[i, 0], normals[i, 1], normals[i, 2]
        row[0], row[1], row[2] = y * nz - z * ny, z * nx - x * nz, x * ny - y * nx
        row[3], row[4], row[5] = nx, ny, nz
        for a in range(6):
            wa = weights[i] * row[a]
            g[a] += wa * e[i]
            for b in range(a + 1):
                H[a, b] += wa * row[b]
    for a in range(6):
        for b in range(a):
            H[b, a] = H[a, b]
    return H, g

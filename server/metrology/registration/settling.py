"""Poses settled on a few hundred points through the coarse look-up, and those that end up in the same place made one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.registration.nearby import Nearby, near_point, score_of
from server.metrology.registration.starts import Starts
from server.metrology.registration.surface import Samples
from server.metrology.scan import Points

Floats = NDArray[np.float64]

DISTINCT_MM = 3.0
"""Poses that move the points by less than this from one another (root mean square) are one and the same."""
NEIGHBOURS_MM = 1.0
"""Until the exact fit has spoken, poses this far apart are both kept: one may have stopped short of the other."""


@dataclass(frozen=True, slots=True)
class _Pass:
    """One pass over poses. begin: how many of them take steps that reach how far at first; points: how many they are fitted
    on; rounds: of steps; reach_mm: of the score after. Steps that reach far bring in what is far off, and pull what is
    nearly right toward what lies beside, such as teeth behind those that meet; so the best are tried both ways."""

    begin: tuple[tuple[int, float], ...]
    points: int
    rounds: int
    reach_mm: float


PASSES = (_Pass(((1_000, 1.6), (300, 0.7)), 220, 8, 0.6), _Pass(((100, 0.7),), 400, 8, 0.4))


def settled(starts: Starts, probe: Samples, target: Samples, nearby: Nearby) -> Starts:
    """The distinct poses that the starts settle into, best first: many roughly, the best of those closely."""
    now = starts
    for one in PASSES:
        step = max(1, len(probe.points) // one.points)
        points = np.ascontiguousarray(probe.points[::step])
        normals = np.ascontiguousarray(probe.normals[::step])
        where = (target.points, target.normals, nearby.nearest, nearby.low, nearby.cell_mm, nearby.shape)
        T = np.array(
            [
                _settle(t, points, normals, *where, one.rounds, far)
                for poses, far in one.begin
                for t in now.T[:poses]
            ]
        ).reshape(-1, 4, 4)
        score = np.array([score_of(t, points, normals, *where, one.reach_mm) for t in T])
        kept = distinct(T, score, points, NEIGHBOURS_MM)
        now = Starts(T[kept], score[kept])
    return now


def distinct(T: Floats, score: Floats, points: Points, apart_mm: float) -> list[int]:
    """Numbers of poses, best first, each at least so far from all better ones."""
    few = points[:: max(1, len(points) // 40)]
    places = np.einsum("kij,nj->kni", T[:, :3, :3], few) + T[:, None, :3, 3]
    kept: list[int] = []
    for i in np.argsort(-score, kind="stable"):
        apart2 = ((places[kept] - places[i]) ** 2).sum(axis=2).mean(axis=1)
        if not kept or float(apart2.min()) > apart_mm**2:
            kept.append(int(i))
    return kept


@njit(cache=True, nogil=True)
def _settle(
    start: Floats,
    points: Points,
    normals: Points,
    target: Points,
    target_normals: Points,
    nearest: NDArray[np.int32],
    low: Floats,
    cell: float,
    shape: NDArray[np.int64],
    rounds: int,
    begin_mm: float,
) -> Floats:
    """Point-to-plane steps with a shrinking reach (Chen & Medioni 1991; weights after Geman & McClure 1987)."""
    T = start.copy()
    p, n, J = np.empty(3), np.empty(3), np.empty(6)
    for step in range(rounds):
        scale = max(begin_mm * 0.8**step, 0.4)
        H, g = np.zeros((6, 6)), np.zeros(6)
        for i in range(points.shape[0]):
            for d in range(3):
                p[d] = T[d, 3]
                n[d] = 0.0
                for e in range(3):
                    p[d] += T[d, e] * points[i, e]
                    n[d] += T[d, e] * normals[i, e]
            q = near_point(nearest, low, cell, shape, p[0], p[1], p[2])
            if q < 0:
                continue
            m = target_normals[q]
            if n[0] * m[0] + n[1] * m[1] + n[2] * m[2] < 0.5:
                continue
            r = (p[0] - target[q, 0]) * m[0] + (p[1] - target[q, 1]) * m[1] + (p[2] - target[q, 2]) * m[2]
            w = (scale * scale / (scale * scale + r * r)) ** 2
            J[0], J[1], J[2] = p[1] * m[2] - p[2] * m[1], p[2] * m[0] - p[0] * m[2], p[0] * m[1] - p[1] * m[0]
            J[3], J[4], J[5] = m[0], m[1], m[2]
            for a in range(6):
                g[a] -= w * r * J[a]
                for b in range(6):
                    H[a, b] += w * J[a] * J[b]
        if H[3, 3] + H[4, 4] + H[5, 5] < 12.0:
            break
        _damp(H)
        T = _moved(T, np.linalg.solve(H, g).astype(np.float64))
    return T


@njit(cache=True, nogil=True)
def _damp(H: Floats) -> None:
    """A little stiffness, so that motions which nothing holds stay where they are; 20 mm stands for a radian."""
    stiff = 1e-4 * (H[3, 3] + H[4, 4] + H[5, 5])
    for d in range(3):
        H[d, d] += 400.0 * stiff
        H[3 + d, 3 + d] += stiff


@njit(cache=True, nogil=True)
def _moved(T: Floats, x: Floats) -> Floats:
    """T followed by the motion x, a rotation vector and a shift; exactly rigid."""
    angle = np.sqrt(x[0] ** 2 + x[1] ** 2 + x[2] ** 2)
    M = np.eye(4)
    if angle > 1e-12:
        u, v, w = x[0] / angle, x[1] / angle, x[2] / angle
        K = np.array([[0.0, -w, v], [w, 0.0, -u], [-v, u, 0.0]])
        M[:3, :3] += np.sin(angle) * K + (1.0 - np.cos(angle)) * (K @ K)
    M[0, 3], M[1, 3], M[2, 3] = x[3], x[4], x[5]
    return M @ T

"""Signed distances freed from the scatter of single points: at each point the value of a curved surface through its
neighbours' values (local quadratic regression, Cleveland 1979), which flattens neither cusps nor hollows; points that lie
off it by several times the scatter do not count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.scan import Points

Floats = NDArray[np.float64]

REACH_MM = 1.1
NEIGHBOURS = 28
FEWEST = 10
ROBUST = 4.0
"""Values this many times the scatter off their neighbours count half and less."""
ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Smoothed:
    """value_mm: (n,), the point's own value where too few neighbours are there; sd_mm: (n,) its standard deviation from
    scatter that is independent from point to point; scatter_mm: that of single values."""

    value_mm: Floats
    sd_mm: Floats
    scatter_mm: float


def smoothed(points: Points, normals: Points, values_mm: Floats) -> Smoothed:
    """Values (n,) at points (n, 3) of a surface with normals (n, 3), smooth over REACH_MM around each."""
    if len(points) < FEWEST:
        return Smoothed(values_mm.copy(), np.full(len(points), np.inf), float("nan"))
    k = min(NEIGHBOURS, len(points))
    far, near = cKDTree(points).query(points, k=k, distance_upper_bound=REACH_MM)
    is_there = np.isfinite(far)
    near = np.where(is_there, near, 0)
    reach = np.where(is_there, far, 0.0).max(axis=1) + 1e-9
    kernel = np.where(
        is_there, (1.0 - (np.where(is_there, far, 0.0) / (1.05 * reach[:, None])) ** 2) ** 2, 0.0
    )
    design = _design(points, normals, near)
    values = values_mm[near]
    enough = is_there.sum(axis=1) >= FEWEST
    weights, scatter = kernel, np.nan
    for _ in range(ROUNDS):
        weighed = (design * weights[:, :, None]).transpose(0, 2, 1)
        inverse = np.linalg.inv(weighed @ design + 1e-9 * np.eye(design.shape[2]))
        coefficients = (inverse @ (weighed @ values[:, :, None]))[:, :, 0]
        left = values - (design @ coefficients[:, :, None])[:, :, 0]
        pull = (inverse[:, :1, :] @ weighed)[:, 0, :]
        spread = (pull**2).sum(axis=1)
        scatter = _scatter_mm(
            (left[:, 0] / np.sqrt(np.clip(1.0 - 2.0 * pull[:, 0] + spread, 0.05, 1.0)))[enough]
        )
        if not np.isfinite(scatter):
            break
        s2 = (ROBUST * max(scatter, 1e-6)) ** 2
        weights = kernel * (s2 / (s2 + left**2)) ** 2
    sd = np.sqrt(spread) * (scatter if np.isfinite(scatter) else 0.0)
    return Smoothed(
        np.where(enough, coefficients[:, 0], values_mm), np.where(enough, sd, np.inf), float(scatter)
    )


def _design(points: Points, normals: Points, near: NDArray[np.int64]) -> Floats:
    """(n, k, 6): 1, u, v, u², uv, v² of each neighbour in its point's tangent plane."""
    aside = np.eye(3)[np.argmin(np.abs(normals), axis=1)]
    u = np.cross(normals, aside)
    u /= np.maximum(np.linalg.norm(u, axis=1, keepdims=True), 1e-12)
    v = np.cross(normals, u)
    step = points[near] - points[:, None, :]
    a, b = np.einsum("nkd,nd->nk", step, u), np.einsum("nkd,nd->nk", step, v)
    return np.stack([np.ones_like(a), a, b, a * a, a * b, b * b], axis=-1)


def _scatter_mm(left: Floats) -> float:
    return 1.4826 * float(np.median(np.abs(left))) if len(left) else float("nan")

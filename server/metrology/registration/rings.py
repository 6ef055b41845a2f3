"""What the surface around a point looks like, in a few numbers that no motion changes.

Around each point, in rings of growing distance: how high the surface lies over the point's tangent plane on average, how
much that varies, and how far its normals lean. Like the histograms of Rusu 2009 (FPFH), but with means in place of
histograms, since a few thousand points are described by a few hundred neighbours each.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Points

Floats = NDArray[np.float64]

EDGES_MM = np.array([0.0, 1.6, 3.0, 4.5, 6.5])
SMOOTH_MM = 1.6
FEWEST_RATIO = 0.35
"""A ring that holds fewer points than this share of a full flat one reaches over a border and is not described."""


def smoothed(points: Points, normals: Points) -> Points:
    """Normals averaged over SMOOTH_MM, unit."""
    starts, order, low, shape = _cells(points, SMOOTH_MM)
    return _smoothed(points, normals, starts, order, low, shape, SMOOTH_MM)


def rings_of(points: Points, normals: Points, area_mm2: float) -> Floats:
    """(n, 3 rings) per point: mean height, its spread, mean lean; each about 1 in size; NaN where not described.

    area_mm2: the area that each point stands for.
    """
    reach = float(EDGES_MM[-1])
    starts, order, low, shape = _cells(points, reach / 2.0)
    full = np.pi * np.diff(EDGES_MM**2) / area_mm2
    return _rings(points, normals, starts, order, low, shape, reach / 2.0, EDGES_MM, FEWEST_RATIO * full)


def _cells(
    points: Points, cell: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, NDArray[np.int64]]:
    low = points.min(axis=0)
    at = np.floor((points - low) / cell).astype(np.int64)
    shape = at.max(axis=0) + 1
    number = (at[:, 0] * shape[1] + at[:, 1]) * shape[2] + at[:, 2]
    order = np.argsort(number, kind="stable")
    starts = np.searchsorted(number[order], np.arange(int(shape.prod()) + 1))
    return starts, order, low, shape


@njit(cache=True, nogil=True)
def _smoothed(
    points: Points,
    normals: Points,
    starts: NDArray[np.int64],
    order: NDArray[np.int64],
    low: Floats,
    shape: NDArray[np.int64],
    cell: float,
) -> Points:
    out = np.zeros_like(normals)
    for p in range(points.shape[0]):
        i0, j0, k0 = (
            int((points[p, 0] - low[0]) / cell),
            int((points[p, 1] - low[1]) / cell),
            int((points[p, 2] - low[2]) / cell),
        )
        for i in range(max(i0 - 1, 0), min(i0 + 2, shape[0])):
            for j in range(max(j0 - 1, 0), min(j0 + 2, shape[1])):
                for k in range(max(k0 - 1, 0), min(k0 + 2, shape[2])):
                    c = (i * shape[1] + j) * shape[2] + k
                    for s in range(starts[c], starts[c + 1]):
                        q = order[s]
                        d2, same = 0.0, 0.0
                        for d in range(3):
                            d2 += (points[q, d] - points[p, d]) ** 2
                            same += normals[q, d] * normals[p, d]
                        if d2 < cell * cell and same > 0.0:
                            for d in range(3):
                                out[p, d] += normals[q, d]
        length = np.sqrt(out[p, 0] ** 2 + out[p, 1] ** 2 + out[p, 2] ** 2)
        for d in range(3):
            out[p, d] = out[p, d] / length if length > 0.0 else normals[p, d]
    return out


@njit(cache=True, nogil=True)
def _rings(
    points: Points,
    normals: Points,
    starts: NDArray[np.int64],
    order: NDArray[np.int64],
    low: Floats,
    shape: NDArray[np.int64],
    cell: float,
    edges: Floats,
    fewest: Floats,
) -> Floats:
    n_rings = edges.shape[0] - 1
    out = np.full((points.shape[0], 3 * n_rings), np.nan)
    sums = np.zeros((n_rings, 4))
    for p in range(points.shape[0]):
        sums[:] = 0.0
        i0, j0, k0 = (
            int((points[p, 0] - low[0]) / cell),
            int((points[p, 1] - low[1]) / cell),
            int((points[p, 2] - low[2]) / cell),
        )
        for i in range(max(i0 - 2, 0), min(i0 + 3, shape[0])):
            for j in range(max(j0 - 2, 0), min(j0 + 3, shape[1])):
                for k in range(max(k0 - 2, 0), min(k0 + 3, shape[2])):
                    c = (i * shape[1] + j) * shape[2] + k
                    for s in range(starts[c], starts[c + 1]):
                        q = order[s]
                        d2, height, lean = 0.0, 0.0, 0.0
                        for d in range(3):
                            step = points[q, d] - points[p, d]
                            d2 += step * step
                            height += step * normals[p, d]
                            lean += normals[q, d] * normals[p, d]
                        if lean < -0.2:
                            continue
                        r = np.sqrt(d2)
                        for ring in range(n_rings):
                            if edges[ring] <= r < edges[ring + 1]:
                                sums[ring, 0] += 1.0
                                sums[ring, 1] += height
                                sums[ring, 2] += height * height
                                sums[ring, 3] += lean
        for ring in range(n_rings):
            n = sums[ring, 0]
            if n < max(fewest[ring], 3.0):
                continue
            middle = 0.5 * (edges[ring] + edges[ring + 1])
            mean = sums[ring, 1] / n
            out[p, 3 * ring] = 3.0 * mean / middle
            out[p, 3 * ring + 1] = 3.0 * np.sqrt(max(sums[ring, 2] / n - mean * mean, 0.0)) / middle
            out[p, 3 * ring + 2] = 2.0 * (1.0 - sums[ring, 3] / n)
    return out

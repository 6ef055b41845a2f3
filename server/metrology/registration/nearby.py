"""A coarse look-up of which of a few thousand points lies near a place: a dense grid, filled once, asked millions of times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Points

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

CELL_MM = 0.8
CELLS_LIMIT = 6_000_000
REACH_CELLS = 3
"""Cells about each point that know of it: places up to about 2 mm away find something."""


@dataclass(frozen=True, slots=True)
class Nearby:
    """low: (3,) corner; shape: (3,) int64 cells; nearest: (cells,) int32 number of the point nearest a cell's centre, -1 where
    none is near."""

    low: Floats
    cell_mm: float
    shape: NDArray[np.int64]
    nearest: Ints


def nearby_of(points: Points) -> Nearby:
    low = points.min(axis=0) - (REACH_CELLS + 1) * CELL_MM
    span = points.max(axis=0) - low + (REACH_CELLS + 1) * CELL_MM
    cell = max(CELL_MM, float((span.prod() / CELLS_LIMIT) ** (1.0 / 3.0)))
    shape = np.ceil(span / cell).astype(np.int64) + 1
    return Nearby(low, cell, shape, _filled(np.ascontiguousarray(points), low, cell, shape))


@njit(cache=True, nogil=True)
def _filled(points: Points, low: Floats, cell: float, shape: NDArray[np.int64]) -> Ints:
    n_cells = shape[0] * shape[1] * shape[2]
    nearest = np.full(n_cells, -1, dtype=np.int32)
    best = np.full(n_cells, np.inf)
    for p in range(points.shape[0]):
        i0 = int((points[p, 0] - low[0]) / cell)
        j0 = int((points[p, 1] - low[1]) / cell)
        k0 = int((points[p, 2] - low[2]) / cell)
        for i in range(max(i0 - 3, 0), min(i0 + 4, shape[0])):
            dx = low[0] + (i + 0.5) * cell - points[p, 0]
            for j in range(max(j0 - 3, 0), min(j0 + 4, shape[1])):
                dy = low[1] + (j + 0.5) * cell - points[p, 1]
                for k in range(max(k0 - 3, 0), min(k0 + 4, shape[2])):
                    dz = low[2] + (k + 0.5) * cell - points[p, 2]
                    d2 = dx * dx + dy * dy + dz * dz
                    place = (i * shape[1] + j) * shape[2] + k
                    if d2 < best[place]:
                        best[place] = d2
                        nearest[place] = p
    return nearest


@njit(cache=True, inline="always")
def near_point(
    nearest: Ints, low: Floats, cell: float, shape: NDArray[np.int64], x: float, y: float, z: float
) -> int:
    """The point filed for a place, -1 where none is."""
    i = int(np.floor((x - low[0]) / cell))
    j = int(np.floor((y - low[1]) / cell))
    k = int(np.floor((z - low[2]) / cell))
    if i < 0 or j < 0 or k < 0 or i >= shape[0] or j >= shape[1] or k >= shape[2]:
        return -1
    return int(nearest[(i * shape[1] + j) * shape[2] + k])


@njit(cache=True, nogil=True)
def score_of(
    T: Floats,
    points: Points,
    normals: Points,
    target: Points,
    target_normals: Points,
    nearest: NDArray[np.int32],
    low: Floats,
    cell: float,
    shape: NDArray[np.int64],
    reach: float,
) -> float:
    """The share of points that find the other surface, falling to nothing at `reach` from its plane, normals alike."""
    total = 0.0
    for i in range(points.shape[0]):
        x = T[0, 0] * points[i, 0] + T[0, 1] * points[i, 1] + T[0, 2] * points[i, 2] + T[0, 3]
        y = T[1, 0] * points[i, 0] + T[1, 1] * points[i, 1] + T[1, 2] * points[i, 2] + T[1, 3]
        z = T[2, 0] * points[i, 0] + T[2, 1] * points[i, 1] + T[2, 2] * points[i, 2] + T[2, 3]
        q = near_point(nearest, low, cell, shape, x, y, z)
        if q < 0:
            continue
        same, off = 0.0, 0.0
        for d in range(3):
            turned = T[d, 0] * normals[i, 0] + T[d, 1] * normals[i, 1] + T[d, 2] * normals[i, 2]
            same += turned * target_normals[q, d]
        off = (
            (x - target[q, 0]) * target_normals[q, 0]
            + (y - target[q, 1]) * target_normals[q, 1]
            + (z - target[q, 2]) * target_normals[q, 2]
        )
        share = off / reach
        if same > 0.5 and share * share < 1.0:
            total += 1.0 - share * share
    return float(total / points.shape[0])

"""A scan thinned to one point per cell of a grid: evenly spread, with the scatter of points and normals averaged down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Points

Floats = NDArray[np.float64]
Keys = NDArray[np.int64]

CELL_MM = 0.35


@dataclass(frozen=True, slots=True)
class Cells:
    """points: (n, 3) mean places; normals: (n, 3) unit mean normals; areas_mm2: (n,) of the surface in each."""

    points: Points
    normals: Points
    areas_mm2: Floats


def thinned(points: Points, normals: Points, areas_mm2: Floats, cell_mm: float = CELL_MM) -> Cells:
    """One point per occupied cell. points, normals: (n, 3); areas_mm2: (n,) the share of surface of each point."""
    used = np.flatnonzero(np.einsum("ij,ij->i", normals, normals) > 0.5)
    keys = grid_keys(points[used], cell_mm)
    order = used[np.argsort(keys, kind="stable")]
    starts = np.flatnonzero(np.diff(np.sort(keys), prepend=-1))
    place, normal, area = _means(points, normals, areas_mm2, order, starts)
    length = np.linalg.norm(normal, axis=1)
    good = (length > 0.5 * area) & (area > 0.0)  # cells whose normals cancel hold an edge or two surfaces
    return Cells(place[good], normal[good] / length[good, None], area[good])


def grid_keys(points: Points, cell_mm: float) -> Keys:
    """A number for the cell that each point lies in; 21 bits a direction, from the lowest corner up."""
    low = points.min(axis=0) if len(points) else np.zeros(3)
    cell = np.minimum(np.floor((points - low) / cell_mm), 2**21 - 1).astype(np.int64)
    return np.asarray(cell[:, 0] << 42 | cell[:, 1] << 21 | cell[:, 2])


@njit(cache=True, nogil=True)
def _means(
    points: Points, normals: Points, areas: Floats, order: NDArray[np.int64], starts: NDArray[np.int64]
) -> tuple[Points, Points, Floats]:
    n = len(starts)
    place, normal, area = np.zeros((n, 3)), np.zeros((n, 3)), np.zeros(n)
    for i in range(n):
        end = starts[i + 1] if i + 1 < n else len(order)
        for j in range(starts[i], end):
            k = order[j]
            area[i] += areas[k]
            for d in range(3):
                place[i, d] += points[k, d]
                normal[i, d] += areas[k] * normals[k, d]
        for d in range(3):
            place[i, d] /= end - starts[i]
    return place, normal, area

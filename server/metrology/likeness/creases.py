"""How much of a surface lies in creases: where gums meet crowns, between crowns, in their grooves. Ridges, palates and
floors of mouths are bowed, not creased."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bodies.cells import Cells
from server.metrology.scan import Points

Floats = NDArray[np.float64]

AROUND_MM = 1.4
CREASE_PER_MM = 0.35
"""Mean curvature, hollow, from which on a place is creased: a hollow with a radius of 3 mm all round, a furrow of 1.5 mm."""
BORDER_MM = 1.5
LEAST_NEIGHBOURS = 6


def mean_curvature_per_mm(cells: Cells, near: cKDTree) -> Floats:
    """(n,) mean curvature at each cell, over AROUND_MM about it: positive where the surface bulges (a ball of radius r has
    1/r), negative where it is hollow; 0 where too few cells are near to tell.

    The normal curvature toward a neighbour at offset d with normals n, m is (m - n)·d / d², and its mean over all directions
    the mean curvature (Euler's theorem).
    """
    i, j = near.query_pairs(AROUND_MM, output_type="ndarray").T
    offset = cells.points[j] - cells.points[i]
    bend = np.einsum("ij,ij->i", cells.normals[j] - cells.normals[i], offset)
    bend /= np.einsum("ij,ij->i", offset, offset)
    n = len(cells.points)
    count = np.bincount(i, minlength=n) + np.bincount(j, minlength=n)
    total = np.bincount(i, bend, n) + np.bincount(j, bend, n)
    return np.asarray(np.where(count >= LEAST_NEIGHBOURS, total / np.maximum(count, 1), 0.0))


def crease_ratio(cells: Cells, near: cKDTree, border: Points, left_out: NDArray[np.bool_]) -> float:
    """The share of the surface that is creased, away from its border. border: (k, 3) points on it; left_out: (n,) cells
    that do not count."""
    counted = ~left_out
    if len(border):
        counted &= cKDTree(border).query(cells.points, distance_upper_bound=BORDER_MM)[0] > BORDER_MM
    area = float(cells.areas_mm2[counted].sum())
    if area <= 0.0:
        return 0.0
    creased = counted & (mean_curvature_per_mm(cells, near) < -CREASE_PER_MM)
    return float(cells.areas_mm2[creased].sum()) / area

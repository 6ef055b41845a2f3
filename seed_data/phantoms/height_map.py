"""Smooth height maps over the occlusal plane: uniform bicubic splines, evaluated with their slope."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]

STEP_MM = 0.5
HALF_MM = 48.0
"""Maps cover |u| ≤ 48 mm and v from -30 to 66 mm."""
V_CENTRE_MM = 18.0


@dataclass(frozen=True, slots=True)
class HeightMap:
    """coefficients: (n, n) of cubic B-splines on a grid of STEP_MM, first axis u, second v."""

    coefficients: Floats

    def at(self, uv_mm: Floats) -> Floats:
        """Heights at (n, 2) places."""
        heights: Floats = _heights(self.coefficients, np.ascontiguousarray(uv_mm, dtype=np.float64))
        return heights

    def distance(self, points_mm: Floats) -> Floats:
        """Distance of (n, 3) points above the surface, to first order in it; negative below."""
        above: Floats = _above(self.coefficients, np.ascontiguousarray(points_mm, dtype=np.float64))
        return above


def grid_places() -> Floats:
    """The (n·n, 2) places of the nodes of a map."""
    axis = np.arange(-HALF_MM, HALF_MM + 1e-9, STEP_MM)
    u, v = np.meshgrid(axis, axis + V_CENTRE_MM, indexing="ij")
    return np.stack([u.ravel(), v.ravel()], axis=1)


def map_of(height: Callable[[Floats], Floats], *, blur_mm: float = 0.0) -> HeightMap:
    """The map of a height function, smoothed by a Gaussian of that width."""
    return map_from(height(grid_places()), blur_mm=blur_mm)


def map_from(nodes_mm: Floats, *, blur_mm: float = 0.0) -> HeightMap:
    n = round(2 * HALF_MM / STEP_MM) + 1
    grid = nodes_mm.reshape(n, n)
    if blur_mm > 0.0:
        grid = ndimage.gaussian_filter(grid, blur_mm / STEP_MM, mode="nearest")
    return HeightMap(np.ascontiguousarray(ndimage.spline_filter(grid, order=3), dtype=np.float64))


@njit(cache=True, nogil=True)
def value_and_slope(c: Any, u: float, v: float) -> Any:
    """Height, slope along u, slope along v of the spline with coefficients c at one place."""
    n = c.shape[0]
    x = (u + HALF_MM) / STEP_MM
    y = (v - V_CENTRE_MM + HALF_MM) / STEP_MM
    x = min(max(x, 1.001), n - 2.002)
    y = min(max(y, 1.001), n - 2.002)
    i = int(x)
    j = int(y)
    a = x - i
    b = y - j
    wa0, wa1 = (1 - a) ** 3 / 6, (3 * a**3 - 6 * a * a + 4) / 6
    wa2, wa3 = (-3 * a**3 + 3 * a * a + 3 * a + 1) / 6, a**3 / 6
    da0, da1 = -((1 - a) ** 2) / 2, (9 * a * a - 12 * a) / 6
    da2, da3 = (-9 * a * a + 6 * a + 3) / 6, a * a / 2
    wb0, wb1 = (1 - b) ** 3 / 6, (3 * b**3 - 6 * b * b + 4) / 6
    wb2, wb3 = (-3 * b**3 + 3 * b * b + 3 * b + 1) / 6, b**3 / 6
    db0, db1 = -((1 - b) ** 2) / 2, (9 * b * b - 12 * b) / 6
    db2, db3 = (-9 * b * b + 6 * b + 3) / 6, b * b / 2
    h = 0.0
    hu = 0.0
    hv = 0.0
    for k in range(4):
        row = c[i - 1 + k]
        along = wb0 * row[j - 1] + wb1 * row[j] + wb2 * row[j + 1] + wb3 * row[j + 2]
        slope = db0 * row[j - 1] + db1 * row[j] + db2 * row[j + 1] + db3 * row[j + 2]
        wa = wa0 if k == 0 else (wa1 if k == 1 else (wa2 if k == 2 else wa3))
        da = da0 if k == 0 else (da1 if k == 1 else (da2 if k == 2 else da3))
        h += wa * along
        hu += da * along
        hv += wa * slope
    return h, hu / STEP_MM, hv / STEP_MM


@njit(cache=True, nogil=True)
def _heights(c: Any, uv: Any) -> Any:
    out = np.empty(len(uv))
    for k in range(len(uv)):
        out[k] = value_and_slope(c, uv[k, 0], uv[k, 1])[0]
    return out


@njit(cache=True, nogil=True)
def _above(c: Any, p: Any) -> Any:
    out = np.empty(len(p))
    for k in range(len(p)):
        h, hu, hv = value_and_slope(c, p[k, 0], p[k, 1])
        out[k] = (p[k, 2] - h) / np.sqrt(1.0 + hu * hu + hv * hv)
    return out

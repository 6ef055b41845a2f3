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
def _place(c: Any, u: float, v: float) -> Any:
    """The first of the four rows and columns of coefficients that decide at one place, and how far on from the second."""
    n = c.shape[0]
    x = min(max((u + HALF_MM) / STEP_MM, 1.001), n - 2.002)
    y = min(max((v - V_CENTRE_MM + HALF_MM) / STEP_MM, 1.001), n - 2.002)
    i, j = int(x), int(y)
    return i - 1, j - 1, x - i, y - j


@njit(cache=True, nogil=True)
def _weights(a: float) -> Any:
    """Values of the four cubic B-splines, 0 ≤ a < 1."""
    r = 1.0 - a
    return r * r * r / 6, ((3 * a - 6) * a * a + 4) / 6, (((3 - 3 * a) * a + 3) * a + 1) / 6, a * a * a / 6


@njit(cache=True, nogil=True)
def _slopes(a: float) -> Any:
    """Their derivatives."""
    r = 1.0 - a
    return -r * r / 2, (9 * a - 12) * a / 6, ((6 - 9 * a) * a + 3) / 6, a * a / 2


@njit(cache=True, nogil=True)
def value_and_slope(c: Any, u: float, v: float) -> Any:
    """Height, slope along u, slope along v of the spline with coefficients c at one place."""
    i, j, a, b = _place(c, u, v)
    wa0, wa1, wa2, wa3 = _weights(a)
    da0, da1, da2, da3 = _slopes(a)
    w0, w1, w2, w3 = _weights(b)
    d0, d1, d2, d3 = _slopes(b)
    h0 = w0 * c[i, j] + w1 * c[i, j + 1] + w2 * c[i, j + 2] + w3 * c[i, j + 3]
    h1 = w0 * c[i + 1, j] + w1 * c[i + 1, j + 1] + w2 * c[i + 1, j + 2] + w3 * c[i + 1, j + 3]
    h2 = w0 * c[i + 2, j] + w1 * c[i + 2, j + 1] + w2 * c[i + 2, j + 2] + w3 * c[i + 2, j + 3]
    h3 = w0 * c[i + 3, j] + w1 * c[i + 3, j + 1] + w2 * c[i + 3, j + 2] + w3 * c[i + 3, j + 3]
    s0 = d0 * c[i, j] + d1 * c[i, j + 1] + d2 * c[i, j + 2] + d3 * c[i, j + 3]
    s1 = d0 * c[i + 1, j] + d1 * c[i + 1, j + 1] + d2 * c[i + 1, j + 2] + d3 * c[i + 1, j + 3]
    s2 = d0 * c[i + 2, j] + d1 * c[i + 2, j + 1] + d2 * c[i + 2, j + 2] + d3 * c[i + 2, j + 3]
    s3 = d0 * c[i + 3, j] + d1 * c[i + 3, j + 1] + d2 * c[i + 3, j + 2] + d3 * c[i + 3, j + 3]
    h = wa0 * h0 + wa1 * h1 + wa2 * h2 + wa3 * h3
    hu = da0 * h0 + da1 * h1 + da2 * h2 + da3 * h3
    hv = wa0 * s0 + wa1 * s1 + wa2 * s2 + wa3 * s3
    return h, hu / STEP_MM, hv / STEP_MM


@njit(cache=True, nogil=True)
def _value(c: Any, u: float, v: float) -> float:
    """The height alone."""
    i, j, a, b = _place(c, u, v)
    wa0, wa1, wa2, wa3 = _weights(a)
    w0, w1, w2, w3 = _weights(b)
    h0 = w0 * c[i, j] + w1 * c[i, j + 1] + w2 * c[i, j + 2] + w3 * c[i, j + 3]
    h1 = w0 * c[i + 1, j] + w1 * c[i + 1, j + 1] + w2 * c[i + 1, j + 2] + w3 * c[i + 1, j + 3]
    h2 = w0 * c[i + 2, j] + w1 * c[i + 2, j + 1] + w2 * c[i + 2, j + 2] + w3 * c[i + 2, j + 3]
    h3 = w0 * c[i + 3, j] + w1 * c[i + 3, j + 1] + w2 * c[i + 3, j + 2] + w3 * c[i + 3, j + 3]
    height: float = wa0 * h0 + wa1 * h1 + wa2 * h2 + wa3 * h3
    return height


@njit(cache=True, nogil=True)
def _heights(c: Any, uv: Any) -> Any:
    out = np.empty(len(uv))
    for k in range(len(uv)):
        out[k] = _value(c, uv[k, 0], uv[k, 1])
    return out


@njit(cache=True, nogil=True)
def _above(c: Any, p: Any) -> Any:
    out = np.empty(len(p))
    for k in range(len(p)):
        h, hu, hv = value_and_slope(c, p[k, 0], p[k, 1])
        out[k] = (p[k, 2] - h) / np.sqrt(1.0 + hu * hu + hv * hv)
    return out

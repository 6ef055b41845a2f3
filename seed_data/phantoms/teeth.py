"""Tooth crowns as implicit solids: a rounded section that tapers, closed by a chewing surface with cusps or an edge.

The frame of a crown: a along the arch, b towards lips or cheek, c towards the opposing jaw; c = 0 at the cusp tips.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from seed_data.phantoms.bodies import smooth_max

Floats = NDArray[np.float64]

ROOT_MM = 5.0
"""How far crowns are led on below their neck, inside the gum."""
MERGE_MM = 1.0
"""Neighbours run into one another over this width, as scans of tight contacts show them."""


@dataclass(frozen=True, slots=True)
class ToothRow:
    """The crowns of one jaw. origins_mm (n, 3); axes (n, 3, 3), rows a, b, c; sizes_mm (n, 4): half mesiodistal,
    half faciolingual, crown length, cusp height; numbers (n,): 1 to 7 from the midline; sides (n,): the sign of u."""

    origins_mm: Floats
    axes: Floats
    sizes_mm: Floats
    numbers: NDArray[np.int64]
    sides: NDArray[np.int64]

    def distance(self, points_mm: Floats) -> Floats:
        """Distance of (n, 3) points to the union of the crowns; negative inside."""
        points = np.ascontiguousarray(points_mm, dtype=np.float64)
        f: Floats = _row(self.origins_mm, self.axes, self.sizes_mm, self.numbers, points)
        return f

    def index(self, number: int, side: int) -> int:
        return int(np.flatnonzero((self.numbers == number) & (self.sides == side))[0])

    def raised(self, index: int, by_mm: float) -> ToothRow:
        """The same crowns with one moved along its own axis."""
        origins = self.origins_mm.copy()
        origins[index] += by_mm * self.axes[index, 2]
        return replace(self, origins_mm=origins)

    def moved(self, T: Floats) -> ToothRow:
        """The same crowns carried by a rigid motion (4, 4)."""
        return replace(
            self, origins_mm=self.origins_mm @ T[:3, :3].T + T[:3, 3], axes=self.axes @ T[:3, :3].T
        )

    def without(self, dropped: set[int]) -> ToothRow:
        keep = np.array([i not in dropped for i in range(len(self.numbers))])
        return ToothRow(
            self.origins_mm[keep], self.axes[keep], self.sizes_mm[keep], self.numbers[keep], self.sides[keep]
        )

    def chewing_points(self, index: int) -> Floats:
        """Points of one crown's chewing surface or edge, (n, 3), for setting it against its opponents."""
        half_a, half_b = self.sizes_mm[index, :2]
        x, y = np.meshgrid(np.linspace(-0.8, 0.8, 25), np.linspace(-0.8, 0.8, 25), indexing="ij")
        number = int(self.numbers[index])
        c = np.array(
            [_top(number, self.sizes_mm[index, 3], a, b) for a, b in zip(x.ravel(), y.ravel(), strict=True)]
        )
        local = np.stack([x.ravel() * half_a, y.ravel() * half_b, c], axis=1)
        if number <= 3:
            local = local[np.abs(local[:, 1]) < 0.5]
        return np.asarray(self.origins_mm[index] + local @ self.axes[index], dtype=np.float64)


@njit(cache=True, nogil=True)
def _top(number: int, cusp: float, x: float, y: float) -> float:
    """Height of the chewing surface over the section; x, y in half widths."""
    if number <= 2:
        return -0.12 * x * x - 0.25 * x**4
    if number == 3:
        tip: float = -1.3 * (np.sqrt(x * x + 0.05) - 0.2236)
        return tip
    sx, sy = (0.42, 0.42) if number >= 6 else (0.62, 0.40)
    total = 0.0
    for side in (-0.58, 0.58):
        ey = np.exp(-(((y - side) / sy) ** 2))
        if number >= 6:
            total += ey * (np.exp(-(((x - 0.45) / sx) ** 2)) + np.exp(-(((x + 0.45) / sx) ** 2)))
        else:
            total += ey * np.exp(-((x / sx) ** 2))
    return cusp * (min(total, 1.3) - 1.0)


@njit(cache=True, nogil=True)
def _crown(
    number: int, half_a: float, half_b: float, length: float, cusp: float, a: float, b: float, c: float
) -> float:
    """Distance (first order) to one crown at a point of its frame."""
    t = min(max(-c / length, 0.0), 1.6)
    if number <= 3:
        width = half_a * (1.0 - 0.26 * t * t / (0.4 + 0.6 * t))
        edge = 0.62 if number <= 2 else 0.85
        thick = edge + (half_b - edge) * (1.0 - (1.0 - min(t, 1.0)) ** 1.7)
        b = b + (thick - edge) * 0.5
        power = 2.6
        rounding = 0.7
    else:
        width = half_a * (1.0 - 0.20 * ((t - 0.30) / 0.7) ** 2)
        thick = half_b * (1.0 - 0.20 * ((t - 0.55) / 0.6) ** 2)
        power = 3.0
        rounding = 1.1
    width, thick = max(width, 0.3), max(thick, 0.3)
    rho = ((abs(a) / width) ** power + (abs(b) / thick) ** power) ** (1.0 / power)
    wall = (rho - 1.0) * min(width, thick)
    x = min(max(a / half_a, -1.2), 1.2)
    y = min(max(b / half_b, -1.2), 1.2)
    steep = 0.72 if number >= 4 else 0.85
    lid = (c - _top(number, cusp, x, y)) * steep
    floor = -length - ROOT_MM - c
    return smooth_max(smooth_max(wall, lid, rounding), floor, 0.5)


@njit(cache=True, nogil=True)
def _row(origins: Any, axes: Any, sizes: Any, numbers: Any, p: Any) -> Any:
    out = np.empty(len(p))
    n = len(numbers)
    for i in range(len(p)):
        best = 1e9
        for k in range(n):
            dx, dy, dz = p[i, 0] - origins[k, 0], p[i, 1] - origins[k, 1], p[i, 2] - origins[k, 2]
            half_a, half_b, length, cusp = sizes[k, 0], sizes[k, 1], sizes[k, 2], sizes[k, 3]
            tall = 0.5 * (length + ROOT_MM)
            mx, my, mz = dx + tall * axes[k, 2, 0], dy + tall * axes[k, 2, 1], dz + tall * axes[k, 2, 2]
            ball = np.sqrt(half_a * half_a + half_b * half_b + tall * tall) + 0.6
            far = np.sqrt(mx * mx + my * my + mz * mz) - ball
            if far > best + MERGE_MM or far > 6.0:
                if far < best:
                    best = far
                continue
            a = dx * axes[k, 0, 0] + dy * axes[k, 0, 1] + dz * axes[k, 0, 2]
            b = dx * axes[k, 1, 0] + dy * axes[k, 1, 1] + dz * axes[k, 1, 2]
            c = dx * axes[k, 2, 0] + dy * axes[k, 2, 1] + dz * axes[k, 2, 2]
            d = _crown(numbers[k], half_a, half_b, length, cusp, a, b, c)
            best = -smooth_max(-best, -d, MERGE_MM)
        out[i] = best
    return out

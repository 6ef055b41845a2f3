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
LEFT_MM = 6.0
"""Farther from a crown than this, the distance to a ball about it does."""
CUSPS_AT_MOST = 1.3
"""Where the hills of cusps add up, they are cut off at this share of one."""
FALL_MM = 1.3
"""No edge of a front tooth falls off farther than this to its corners."""


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
    if number >= 6:
        along = np.exp(-(((x - 0.45) / 0.42) ** 2)) + np.exp(-(((x + 0.45) / 0.42) ** 2))
        across = np.exp(-(((y - 0.58) / 0.42) ** 2)) + np.exp(-(((y + 0.58) / 0.42) ** 2))
    else:
        along = np.exp(-((x / 0.62) ** 2))
        across = np.exp(-(((y - 0.58) / 0.40) ** 2)) + np.exp(-(((y + 0.58) / 0.40) ** 2))
    height: float = cusp * (min(along * across, CUSPS_AT_MOST) - 1.0)
    return height


@njit(cache=True, nogil=True)
def _section(number: int, half_a: float, half_b: float, length: float, c: float) -> Any:
    """Half widths of the section at a height, and how far its middle lies towards lips."""
    t = min(max(-c / length, 0.0), 1.6)
    if number > 3:
        width = half_a * (1.0 - 0.20 * ((t - 0.30) / 0.7) ** 2)
        thick = half_b * (1.0 - 0.20 * ((t - 0.55) / 0.6) ** 2)
        return max(width, 0.3), max(thick, 0.3), 0.0
    width = half_a * (1.0 - 0.26 * t * t / (0.4 + 0.6 * t))
    edge = 0.62 if number <= 2 else 0.85
    thick = edge + (half_b - edge) * (1.0 - (1.0 - t) ** 1.7) if t < 1.0 else half_b
    return max(width, 0.3), max(thick, 0.3), -(thick - edge) * 0.5


@njit(cache=True, nogil=True)
def _rho(is_front: bool, u: float, v: float) -> float:
    """Norm of (u, v), both at least 0, by which the section is an oval with flattened sides."""
    if not is_front:
        cube: float = np.cbrt(u * u * u + v * v * v)
        return cube
    more, less = max(u, v), min(u, v)
    if less == 0.0:
        return more
    oval: float = more * (1.0 + (less / more) ** 2.6) ** (1.0 / 2.6)
    return oval


@njit(cache=True, nogil=True)
def _crown(
    number: int,
    half_a: float,
    half_b: float,
    length: float,
    cusp: float,
    a: float,
    b: float,
    c: float,
    enough: float,
) -> float:
    """Distance (first order) to one crown at a point of its frame; where it is `enough` or more, enough or more.

    It is never less than any of wall, lid and floor. So bounds of these often spare what takes long to reckon.
    """
    floor = -length - ROOT_MM - c
    steep = 0.72 if number >= 4 else 0.85
    least_lid = (c - (max(cusp, 0.0) * (CUSPS_AT_MOST - 1.0) if number >= 4 else 0.0)) * steep
    if max(floor, least_lid) >= enough:
        return max(floor, least_lid)
    width, thick, middle = _section(number, half_a, half_b, length, c)
    narrow = min(width, thick)
    u, v = abs(a) / width, abs(b - middle) / thick
    least_wall: float = (max(u, v) - 1.0) * narrow
    if least_wall >= enough:
        return least_wall
    rounding = 1.1 if number >= 4 else 0.7
    wall = (_rho(number <= 3, u, v) - 1.0) * narrow
    if wall >= (c + max(cusp, FALL_MM)) * steep + rounding:
        near: float = smooth_max(wall, floor, 0.5)
        return near
    x = min(max(a / half_a, -1.2), 1.2)
    y = min(max((b - middle) / half_b, -1.2), 1.2)
    lid = (c - _top(number, cusp, x, y)) * steep
    d: float = smooth_max(smooth_max(wall, lid, rounding), floor, 0.5)
    return d


@njit(cache=True, nogil=True)
def _row(origins: Any, axes: Any, sizes: Any, numbers: Any, p: Any) -> Any:
    out = np.empty(len(p))
    n = len(numbers)
    middles, balls = np.empty((n, 3)), np.empty(n)
    for k in range(n):
        tall = 0.5 * (sizes[k, 2] + ROOT_MM)
        middles[k] = origins[k] - tall * axes[k, 2]
        balls[k] = np.sqrt(sizes[k, 0] ** 2 + sizes[k, 1] ** 2 + tall * tall) + 0.6
    for i in range(len(p)):
        best = 1e9
        for k in range(n):
            mx, my, mz = p[i, 0] - middles[k, 0], p[i, 1] - middles[k, 1], p[i, 2] - middles[k, 2]
            squared = mx * mx + my * my + mz * mz
            reach = max(balls[k] + min(best + MERGE_MM, LEFT_MM), 0.0)
            if squared > reach * reach:
                if best > LEFT_MM:
                    best = min(best, np.sqrt(squared) - balls[k])
                continue
            dx, dy, dz = p[i, 0] - origins[k, 0], p[i, 1] - origins[k, 1], p[i, 2] - origins[k, 2]
            a = dx * axes[k, 0, 0] + dy * axes[k, 0, 1] + dz * axes[k, 0, 2]
            b = dx * axes[k, 1, 0] + dy * axes[k, 1, 1] + dz * axes[k, 1, 2]
            c = dx * axes[k, 2, 0] + dy * axes[k, 2, 1] + dz * axes[k, 2, 2]
            half_a, half_b, length, cusp = sizes[k, 0], sizes[k, 1], sizes[k, 2], sizes[k, 3]
            d = _crown(numbers[k], half_a, half_b, length, cusp, a, b, c, best + MERGE_MM)
            if d < best + MERGE_MM:
                best = -smooth_max(-best, -d, MERGE_MM)
        out[i] = best
    return out

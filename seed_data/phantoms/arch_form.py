"""The dental arch as a plane curve, and places along and across it.

Source: Braun, Hnat, Fender & Legan 1998, Angle Orthod 68:29-36: y = 2^1.6 · D · (x/W + ½)^0.8 · (½ - x/W)^0.8
(equation from memory), W and D the width and depth at the second molars.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

BETA_CONSTANT = 2.0**1.6
STEP_MM = 0.1


def beta_arch_mm(x_mm: Floats, *, width_mm: float, depth_mm: float) -> Floats:
    """Height of the arch above the line of the second molars, for |x| ≤ width / 2."""
    r = x_mm / width_mm
    y: Floats = BETA_CONSTANT * depth_mm * (np.clip(0.5 + r, 0.0, 1.0) * np.clip(0.5 - r, 0.0, 1.0)) ** 0.8
    return y


@dataclass(frozen=True, slots=True)
class ArchCurve:
    """A plane curve sampled evenly, from u < 0 over the front to u > 0, with arc length 0 in the middle.

    points_mm: (n, 2); s_mm: (n,); outward: (n, 2), unit normals that point to lips and cheeks.
    """

    points_mm: Floats
    s_mm: Floats
    outward: Floats

    def at(self, s_mm: float) -> Floats:
        """The point at an arc length, (2,)."""
        return np.array([np.interp(s_mm, self.s_mm, self.points_mm[:, k]) for k in (0, 1)])

    def outward_at(self, s_mm: float) -> Floats:
        n = np.array([np.interp(s_mm, self.s_mm, self.outward[:, k]) for k in (0, 1)])
        return np.asarray(n / np.linalg.norm(n), dtype=np.float64)

    def along(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Arc length and signed offset (+ facial) of the nearest place on the curve, each (n,)."""
        _, index = cKDTree(self.points_mm).query(points_mm)
        off = points_mm - self.points_mm[index]
        tangent = np.stack([self.outward[index, 1], -self.outward[index, 0]], axis=1)
        s = self.s_mm[index] + np.einsum("ij,ij->i", off, tangent)
        side = np.sign(np.einsum("ij,ij->i", off, self.outward[index]))
        return s, side * np.linalg.norm(off, axis=1)


def curve_through(points_mm: Floats, *, tail_mm: float = 0.0) -> ArchCurve:
    """The curve through points ordered by growing u; each end is led straight on by `tail_mm`, to the back."""
    points = _even(points_mm)
    if tail_mm > 0.0:
        first, last = _tail(points[::-1], tail_mm)[::-1], _tail(points, tail_mm)
        points = _even(np.concatenate([first, points, last]))
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    middle = float(np.interp(0.0, points[:, 0], lengths))
    tangent = np.gradient(points, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    return ArchCurve(points, lengths - middle, np.stack([-tangent[:, 1], tangent[:, 0]], axis=1))


def beta_curve(*, width_mm: float, depth_mm: float, tail_mm: float = 0.0) -> ArchCurve:
    angle = np.linspace(-np.pi / 2, np.pi / 2, 4001)
    x = 0.5 * width_mm * np.sin(angle)
    points = np.stack([x, beta_arch_mm(x, width_mm=width_mm, depth_mm=depth_mm)], axis=1)
    return curve_through(points, tail_mm=tail_mm)


def depth_for_length(*, width_mm: float, half_length_mm: float) -> float:
    """The depth at which half the arch is as long as the teeth of one side."""
    low, high = 20.0, 70.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        length = beta_curve(width_mm=width_mm, depth_mm=middle).s_mm[-1]
        low, high = (middle, high) if length < half_length_mm else (low, middle)
    return 0.5 * (low + high)


def shifted_inward(curve: ArchCurve, inward_mm: Floats) -> Floats:
    """Points of the curve, each moved towards the tongue, smoothed so that the curve stays one: (n, 2)."""
    points = curve.points_mm - curve.outward * inward_mm[:, None]
    kernel = np.hanning(81) / np.hanning(81).sum()
    padded = np.concatenate([_mirror(points[:41], 0), points, _mirror(points[-41:], -1)])
    return np.stack([np.convolve(padded[:, k], kernel, mode="same") for k in (0, 1)], axis=1)[40:-40]


def _mirror(points: Floats, pivot: int) -> Floats:
    mirrored: Floats = (2.0 * points[pivot] - points)[::-1]
    return mirrored[:-1] if pivot == 0 else mirrored[1:]


def _even(points: Floats) -> Floats:
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    n = max(round(float(lengths[-1]) / STEP_MM), 2)
    s = np.linspace(0.0, lengths[-1], n + 1)
    return np.stack([np.interp(s, lengths, points[:, k]) for k in (0, 1)], axis=1)


def _tail(points: Floats, tail_mm: float) -> Floats:
    """Points beyond the last one, bending from the curve's end into the direction straight back."""
    d = points[-1] - points[-40]
    d /= np.linalg.norm(d)
    back = np.array([0.15 * np.sign(d[0]) if d[0] else 0.0, -1.0])
    steps = np.linspace(0.02, 1.0, 50)[:, None]
    direction = (1.0 - steps) * d + steps * back / np.linalg.norm(back)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    return np.asarray(points[-1] + np.cumsum(direction, axis=0) * (tail_mm / 50), dtype=np.float64)

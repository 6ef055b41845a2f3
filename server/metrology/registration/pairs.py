"""Pairs of points with normals: their shape, which no motion changes, and the pose that carries one pair to another."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Points

Floats = NDArray[np.float64]

DISTANCE_TOLERANCE_MM = 1.1
ANGLE_TOLERANCE = 0.22
"""Of cosines. Points lie about 1 mm apart, so that no pair is met exactly."""


@njit(cache=True, nogil=True)
def frame_of(p: Floats, q: Floats, n: Floats, m: Floats, frame: Floats) -> bool:
    """A right-handed frame of a pair: along it, and as near to the sum of its normals as is square to it."""
    length = 0.0
    for d in range(3):
        frame[d, 0] = q[d] - p[d]
        length += frame[d, 0] ** 2
    length = np.sqrt(length)
    along = 0.0
    for d in range(3):
        frame[d, 0] /= length
        along += (n[d] + m[d]) * frame[d, 0]
    size = 0.0
    for d in range(3):
        frame[d, 1] = n[d] + m[d] - along * frame[d, 0]
        size += frame[d, 1] ** 2
    if size < 0.09:
        return False
    size = np.sqrt(size)
    for d in range(3):
        frame[d, 1] /= size
    frame[0, 2] = frame[1, 0] * frame[2, 1] - frame[2, 0] * frame[1, 1]
    frame[1, 2] = frame[2, 0] * frame[0, 1] - frame[0, 0] * frame[2, 1]
    frame[2, 2] = frame[0, 0] * frame[1, 1] - frame[1, 0] * frame[0, 1]
    return True


@njit(cache=True, nogil=True)
def shape_of(p: Floats, q: Floats, n: Floats, m: Floats) -> tuple[float, float, float, float]:
    """Length of a pair, cosines of its normals to it and to each other."""
    length, first, second, both = 0.0, 0.0, 0.0, 0.0
    for d in range(3):
        step = q[d] - p[d]
        length += step * step
        first += n[d] * step
        second += m[d] * step
        both += n[d] * m[d]
    length = np.sqrt(length)
    return length, first / length, second / length, both


@njit(cache=True, nogil=True)
def is_alike(
    target: Points, normals: Points, p: int, q: int, wanted: tuple[float, float, float, float]
) -> bool:
    """Whether two points make a pair of the wanted shape."""
    gap2 = 0.0
    for d in range(3):
        gap2 += (target[p, d] - target[q, d]) ** 2
    if abs(np.sqrt(gap2) - wanted[0]) > DISTANCE_TOLERANCE_MM or p == q:
        return False
    _, first, second, both = shape_of(target[p], target[q], normals[p], normals[q])
    return max(abs(first - wanted[1]), abs(second - wanted[2]), abs(both - wanted[3])) <= ANGLE_TOLERANCE


@njit(cache=True, nogil=True)
def carry(own: Floats, other: Floats, a: Floats, b: Floats, p: Floats, q: Floats, T: Floats) -> None:
    """Writes into T the pose that carries the pair a, b with its frame to the pair p, q."""
    for i in range(3):
        for j in range(3):
            T[i, j] = other[i, 0] * own[j, 0] + other[i, 1] * own[j, 1] + other[i, 2] * own[j, 2]
    for i in range(3):
        T[i, 3] = 0.5 * (p[i] + q[i])
        for j in range(3):
            T[i, 3] -= T[i, j] * 0.5 * (a[j] + b[j])

"""How large a cloud of points is and where it lies, in the length of its own unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Points

STRAY_FACTOR = 4.0
"""A point farther from the median point than four times the distance that holds 95 % of the points strays."""

SWEEPS = 6


@dataclass(frozen=True, slots=True)
class Extent:
    """low, high: corners of the box along the file's axes, strays included. n_strays: points left out of
    the rest. span: the largest distance between two points. farthest: the largest coordinate by amount.
    centre: the median of all points."""

    low: tuple[float, float, float]
    high: tuple[float, float, float]
    span: float
    centre: tuple[float, float, float]
    farthest: float
    n_strays: int


def extent_of(points: Points) -> Extent:
    """The extent of (n, 3) points, n >= 1. Linear in n.

    The span is found by going from point to farthest point, a few times from several starts: never too large,
    and on arches and patches short by less than 1 % of the true diameter, whatever the frame.
    """
    columns = np.ascontiguousarray(points.T)
    low, high = columns.min(axis=1), columns.max(axis=1)
    centre = np.median(columns, axis=1)
    from_centre = _distances(points, centre)
    reach = STRAY_FACTOR * float(np.quantile(from_centre, 0.95))
    kept = points[from_centre <= reach] if reach > 0.0 else points
    return Extent(
        low=_three(low),
        high=_three(high),
        span=_span(kept),
        centre=_three(centre),
        farthest=float(np.abs(kept).max()),
        n_strays=len(points) - len(kept),
    )


def float32_step(coordinate: float) -> float:
    """The distance between neighbouring 32-bit floats at a coordinate, in its unit (IEEE 754 binary32)."""
    return float(np.spacing(np.float32(abs(coordinate))))


def _span(points: Points) -> float:
    starts = {*points.argmin(axis=0).tolist(), *points.argmax(axis=0).tolist()}
    return max(_walk(points, start) for start in sorted(starts))


def _walk(points: Points, start: int) -> float:
    best, at = 0.0, start
    for _ in range(SWEEPS):
        at, far = _farthest(points, at)
        if far <= best:
            break
        best = far
    return best


@njit(cache=True, nogil=True)
def _farthest(points: Points, start: int) -> tuple[int, float]:
    """The point farthest from another, and how far."""
    x, y, z = points[start, 0], points[start, 1], points[start, 2]
    at, most = start, 0.0
    for i in range(len(points)):
        away = (points[i, 0] - x) ** 2 + (points[i, 1] - y) ** 2 + (points[i, 2] - z) ** 2
        if away > most:
            at, most = i, away
    return at, np.sqrt(most)


def _distances(points: Points, place: NDArray[np.float64]) -> NDArray[np.float64]:
    away = points - place
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", away, away)))


def _three(v: NDArray[np.float64]) -> tuple[float, float, float]:
    return float(v[0]), float(v[1]), float(v[2])

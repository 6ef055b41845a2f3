"""Where axes may be: points moved inward along their normals by a body's radius pile up on its axis.

Source of the idea: a Hough transform (Hough 1962; Duda & Hart 1972) with the normal as the voter's direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bodies.cells import Cells
from server.metrology.scan import Points

Floats = NDArray[np.float64]

VOTE_MM = 0.4
APART_MM = 1.2
"""Peaks nearer to each other than this are one."""
LEAST_RING_SHARE = 0.18
"""A peak holds at least this share of the votes that a side caught all round would give."""
GATHER_MM = 5.5
NEAR_AXIS_MM = 0.45
ROUNDS = 3
LEAST_VOTES = 8
MOST_LEAN = 0.35
"""Cosine between an axis and the normals of sides about it."""
LEAST_TURN = 0.12
"""Least ratio of the second to the first spread of the normals about an axis: below, they nearly share one direction."""


@dataclass(frozen=True, slots=True)
class AxisGuess:
    """A line about which much of the surface turns. point_mm, direction: (3,); the sign of the direction is open.
    votes_mm2: the area that speaks for it; radius_mm: of its sides."""

    point_mm: Floats
    direction: Floats
    votes_mm2: float
    radius_mm: float


def axis_guesses(cells: Cells, near: cKDTree, radius_mm: float, most: int) -> list[AxisGuess]:
    """The likeliest axes of sides of that radius, the best first. near: a tree of the cells' points."""
    if len(cells.points) == 0:
        return []
    centres = cells.points - radius_mm * cells.normals
    peaks, votes = _peaks(centres, cells.areas_mm2)
    ring_mm2 = 2.0 * np.pi * radius_mm * 3.0 * VOTE_MM
    strong = np.flatnonzero(votes > LEAST_RING_SHARE * ring_mm2)
    strong = strong[np.argsort(-votes[strong], kind="stable")]
    chosen = _apart(np.ascontiguousarray(peaks[strong]), most)
    made = (_axis_at(cells, near, centres, peaks[strong[i]], radius_mm) for i in chosen)
    return [guess for guess in made if guess is not None]


def _peaks(centres: Points, weights: Floats) -> tuple[Points, Floats]:
    """Mean place of the votes in each cell and the votes in it and the 26 about it."""
    low = centres.min(axis=0) - 2.0 * VOTE_MM
    cell = np.floor((centres - low) / VOTE_MM).astype(np.int64)
    keys = cell[:, 0] << 42 | cell[:, 1] << 21 | cell[:, 2]
    unique, inverse = np.unique(keys, return_inverse=True)
    own = np.bincount(inverse, weights=weights).astype(np.float64)
    place = np.stack([np.bincount(inverse, weights=weights * centres[:, d]) for d in range(3)], axis=1)
    mean, total = _about(unique, own, place.astype(np.float64))
    return mean, total


@njit(cache=True, nogil=True)
def _about(keys: NDArray[np.int64], own: Floats, place: Points) -> tuple[Points, Floats]:
    n = len(keys)
    total, mean = np.zeros(n), np.zeros((n, 3))
    for dx in range(-1, 2):
        for dy in range(-1, 2):
            offset = (np.int64(dx) << 42) + (np.int64(dy) << 21)
            j = 0
            for i in range(n):
                first = keys[i] + offset - 1
                while j < n and keys[j] < first:
                    j += 1
                k = j
                while k < n and keys[k] <= first + 2:
                    total[i] += own[k]
                    mean[i] += place[k]
                    k += 1
    for i in range(n):
        mean[i] /= max(total[i], 1e-12)
    return mean, total


@njit(cache=True, nogil=True)
def _apart(peaks: Points, most: int) -> NDArray[np.int64]:
    """Indices of peaks in order, each at least APART_MM from all before it."""
    chosen = np.empty(most, dtype=np.int64)
    n = 0
    for i in range(len(peaks)):
        if n == most:
            break
        is_apart = True
        for j in range(n):
            k = chosen[j]
            dx, dy, dz = peaks[k, 0] - peaks[i, 0], peaks[k, 1] - peaks[i, 1], peaks[k, 2] - peaks[i, 2]
            if dx * dx + dy * dy + dz * dz <= APART_MM**2:
                is_apart = False
                break
        if is_apart:
            chosen[n] = i
            n += 1
    return chosen[:n]


def _axis_at(
    cells: Cells, near: cKDTree, centres: Points, peak: Floats, radius_mm: float
) -> AxisGuess | None:
    """The line through a peak about which the normals turn, refined from the points that vote for it."""
    around = np.asarray(near.query_ball_point(peak, GATHER_MM), dtype=np.int64)
    point, direction, votes_mm2 = _turning_about(
        centres, cells.normals, cells.areas_mm2, around, np.ascontiguousarray(peak)
    )
    return AxisGuess(point, direction, votes_mm2, radius_mm) if votes_mm2 >= 0.0 else None


@njit(cache=True, nogil=True)
def _turning_about(
    centres: Points, normals: Points, areas: Floats, around: NDArray[np.int64], peak: Floats
) -> tuple[Floats, Floats, float]:
    """A point of the axis, its direction, and the area that votes for it; -1 where the votes do not turn about one."""
    point, direction = peak.copy(), np.zeros(3)
    votes = np.zeros(len(around), dtype=np.bool_)
    for i, k in enumerate(around):
        gap2 = 0.0
        for d in range(3):
            gap2 += (centres[k, d] - peak[d]) ** 2
        votes[i] = gap2 < (1.5 * NEAR_AXIS_MM) ** 2
    voting_mm2 = 0.0
    for _ in range(ROUNDS):
        spread, middle, total, n = np.zeros((3, 3)), np.zeros(3), 0.0, 0
        for k in around[votes]:
            n += 1
            total += areas[k]
            for d in range(3):
                middle[d] += areas[k] * centres[k, d]
                for e in range(3):
                    spread[d, e] += areas[k] * normals[k, d] * normals[k, e]
        if n < LEAST_VOTES:
            return point, direction, -1.0
        values, axes = np.linalg.eigh(spread)
        if values[1] < LEAST_TURN * values[2]:
            return point, direction, -1.0
        direction, point = axes[:, 0].copy(), middle / total
        voting_mm2 = 0.0
        for i, k in enumerate(around):
            along, off2, lean = 0.0, 0.0, 0.0
            for d in range(3):
                step = centres[k, d] - point[d]
                along += step * direction[d]
                off2 += step * step
                lean += normals[k, d] * direction[d]
            votes[i] = off2 - along * along < NEAR_AXIS_MM**2 and abs(lean) < MOST_LEAN
            if votes[i]:
                voting_mm2 += areas[k]
    return point, direction, voting_mm2

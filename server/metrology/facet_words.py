"""What each facet of a surface looks like with its three neighbours, as two words of cells: what sketches are made of."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Points
from server.metrology.topology import Floats

CELL_RATIO = 0.025
"""Edge of a cell, in mean edge lengths of the facet's neighbourhood: 6 µm where edges are 0.3 mm. Scans are meshed
evenly: with cells of 0.06 three facets of four have a double within their own scan, with 0.02 one of five."""
N_LENGTHS = 12
"""Nine edges and three heights."""
LEAST_EDGE_RATIO = 0.2
"""A neighbourhood with an edge shorter than this share of its mean is not described: a sliver says little."""
LEAST_AREA_RATIO = 0.05
"""The same for a facet flatter than this: its area over the square of the mean edge. Its plane is not sure."""
SIZE_STEP = 18.4 / 16383.0
"""One step of size, as a natural logarithm: 0.11 %."""
HAND_GAP_RATIO = 0.02
"""Handedness is told only where lengths and heights differ by more than this share of the mean edge."""

Hashes = NDArray[np.uint64]
Tags = NDArray[np.uint32]
_LOG_LEAST = -9.2
_MOST_STEPS = 16383


@njit(cache=True, inline="always")
def _mix(x: np.uint64) -> np.uint64:
    """The finaliser of splitmix64 (Steele, Lea & Flood 2014): every bit depends on every bit."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


@njit(cache=True, inline="always")
def _edge_word(own: float, one: float, two: float, height: float, unit: float, offset: float) -> np.uint64:
    """An edge, the two further ones of the facet beyond it in either order, and the height of the corner beyond over
    the facet, on either side: as one mixed word."""
    first, second = int(one / unit + offset), int(two / unit + offset)
    word = np.uint64(int(own / unit + offset)) << np.uint64(48)
    word |= np.uint64(min(first, second)) << np.uint64(32) | np.uint64(max(first, second)) << np.uint64(16)
    return _mix((word | np.uint64(int(height / unit + offset))) + np.uint64(0x9E3779B97F4A7C15))


@njit(cache=True, nogil=True)
def _half_edge_lengths(vertices: Points, faces: NDArray[np.int32]) -> Floats:
    lengths = np.empty(3 * faces.shape[0])
    for f in range(faces.shape[0]):
        for k in range(3):
            total = 0.0
            for d in range(3):
                total += (vertices[faces[f, k], d] - vertices[faces[f, (k + 1) % 3], d]) ** 2
            lengths[3 * f + k] = np.sqrt(total)
    return lengths


@njit(cache=True, nogil=True)
def _height(vertices: Points, faces: NDArray[np.int32], f: int, beyond: int, double_area: float) -> float:
    """How far the corner beyond an edge lies over the plane of facet f; negative below, as the facet is wound."""
    p, q, r = faces[f, 0], faces[f, 1], faces[f, 2]
    s = faces[beyond // 3, (beyond + 2 - beyond // 3 * 3) % 3]
    x, y, z = vertices[p, 0], vertices[p, 1], vertices[p, 2]
    ux, uy, uz = vertices[q, 0] - x, vertices[q, 1] - y, vertices[q, 2] - z
    vx, vy, vz = vertices[r, 0] - x, vertices[r, 1] - y, vertices[r, 2] - z
    wx, wy, wz = vertices[s, 0] - x, vertices[s, 1] - y, vertices[s, 2] - z
    det = ux * (vy * wz - vz * wy) - uy * (vx * wz - vz * wx) + uz * (vx * wy - vy * wx)
    return float(det / double_area)


@njit(cache=True, nogil=True)
def _handedness(a: float, b: float, c: float, height: float, mean: float) -> int:
    """1 or 2 by the side of the facet on which the corner beyond its longest edge lies, its corners taken by edge
    length, so that the winding does not count; 0 where that hangs on less than rounding may change."""
    gap = HAND_GAP_RATIO * mean
    if abs(a - b) < gap or abs(b - c) < gap or abs(c - a) < gap or abs(height) < gap:
        return 0
    is_even = (a < b and b < c) or (b < c and c < a) or (c < a and a < b)
    return 1 if (height > 0.0) == is_even else 2


@njit(cache=True, nogil=True)
def describe(
    vertices: Points, faces: NDArray[np.int32], twin: NDArray[np.int32], areas: Floats
) -> tuple[Hashes, Tags]:
    """For each facet that can be described, the word of the first grid and a tag: 16 bits of the second grid, which is
    set off by half a cell, 14 of size (SIZE_STEP), 2 of handedness (0 unsure)."""
    lengths = _half_edge_lengths(vertices, faces)
    hashes = np.empty(faces.shape[0], dtype=np.uint64)
    tags = np.empty(faces.shape[0], dtype=np.uint32)
    heights = np.empty(3)
    n = 0
    for f in range(faces.shape[0]):
        own = lengths[3 * f : 3 * f + 3]
        mean = _mean_edge(lengths, twin, f, areas[f])
        if mean == 0.0:
            continue
        unit = CELL_RATIO * mean
        first, second = np.uint64(0), np.uint64(0)
        for k in range(3):
            t = twin[3 * f + k]
            one, two = lengths[t // 3 * 3 + (t + 1) % 3], lengths[t // 3 * 3 + (t + 2) % 3]
            heights[k] = _height(vertices, faces, f, t, 2.0 * areas[f])
            first += _edge_word(own[k], one, two, abs(heights[k]), unit, 0.0)
            second += _edge_word(own[k], one, two, abs(heights[k]), unit, 0.5)
        hand = _handedness(own[0], own[1], own[2], heights[own.argmax()], mean)
        steps = int((np.log(mean) - _LOG_LEAST) / SIZE_STEP + 0.5)
        size = np.uint32(min(max(steps, 0), _MOST_STEPS))
        hashes[n] = _mix(first)
        tags[n] = np.uint32(_mix(second) >> np.uint64(48)) << 16 | size << 2 | np.uint32(hand)
        n += 1
    return hashes[:n], tags[:n]


@njit(cache=True, nogil=True)
def _mean_edge(lengths: Floats, twin: NDArray[np.int32], f: int, area: float) -> float:
    """The mean of a facet's nine edge lengths; 0 where it has fewer than three neighbours or is, or stands by, a sliver."""
    total, least = 0.0, np.inf
    for k in range(3):
        t = twin[3 * f + k]
        if t < 0:
            return 0.0
        one, two = lengths[t // 3 * 3 + (t + 1) % 3], lengths[t // 3 * 3 + (t + 2) % 3]
        total += lengths[3 * f + k] + one + two
        least = min(least, lengths[3 * f + k], one, two)
    mean = total / 9.0
    is_described = (
        0.0 < mean < np.inf and least >= LEAST_EDGE_RATIO * mean and area >= LEAST_AREA_RATIO * mean * mean
    )
    return mean if is_described else 0.0

"""Closest points on a surface and rays against it, exact, by a tree of boxes over its facets.

Facets are sorted along a space-filling curve and boxed pairwise upward, so building is a sort and a pass. Ties and
slivers are handled by exact closest-point-on-triangle arithmetic in float64 (method: Ericson 2005, Real-Time Collision
Detection, 5.1.5; rays: Möller & Trumbore 1997).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Points, Scan

LEAF = 4
"""Facets in one leaf."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Nearest:
    """For each query: distance_mm (q,), the closest point (q, 3), and the facet it lies on (q,) int32; facet -1 and
    distance inf where nothing lies within the reach asked for."""

    distance_mm: Floats
    points: Points
    facets: Ints


@dataclass(frozen=True, slots=True)
class Hits:
    """For each ray: distance_mm (q,) to the first facet hit, inf where none; that facet (q,) int32, -1 where none."""

    distance_mm: Floats
    facets: Ints


class BoxTree:
    """A tree of boxes over the facets of a scan. Built once, asked often; safe to share between threads."""

    def __init__(self, scan: Scan) -> None:
        corners = scan.vertices[scan.faces]
        order = np.argsort(_curve_codes(corners.mean(axis=1)), kind="stable").astype(np.int32)
        self.order = order
        self.corners = np.ascontiguousarray(corners[order])
        n_leaves = max(1, -(-len(order) // LEAF))
        self.first_leaf = 1 << int(np.ceil(np.log2(n_leaves)))
        self.boxes = _boxes(self.corners, self.first_leaf)

    def nearest(self, queries: Points, reach_mm: float = np.inf) -> Nearest:
        """The closest point of the surface to each query, (q, 3) float64, within `reach_mm`."""
        asked = np.ascontiguousarray(queries, dtype=np.float64)
        distance, points, facets = _nearest(self.corners, self.boxes, self.first_leaf, asked, float(reach_mm))
        return Nearest(distance, points, self._named(facets))

    def first_hits(
        self, origins: Points, directions: Points, reach_mm: float = np.inf, start_mm: float = 0.0
    ) -> Hits:
        """The first facet each ray meets, from either side, between `start_mm` and `reach_mm` along it.

        directions: (q, 3) unit. A ray that leaves a facet's own plane needs a `start_mm` of a few micrometres.
        """
        distance, facets = self._cast(origins, directions, (start_mm, reach_mm), any_hit=False)
        return Hits(distance, self._named(facets))

    def is_blocked(
        self, origins: Points, directions: Points, reach_mm: float, start_mm: float
    ) -> NDArray[np.bool_]:
        """Whether each ray meets any facet between `start_mm` and `reach_mm`; cheaper than the first hit."""
        return np.asarray(self._cast(origins, directions, (start_mm, reach_mm), any_hit=True)[1] >= 0)

    def _cast(
        self, origins: Points, directions: Points, span: tuple[float, float], *, any_hit: bool
    ) -> tuple[Floats, Ints]:
        o = np.ascontiguousarray(origins, dtype=np.float64)
        d = np.ascontiguousarray(directions, dtype=np.float64)
        reach = (float(span[0]), float(span[1]))
        distance, facets = _first_hits(self.corners, self.boxes, self.first_leaf, o, d, reach, any_hit)
        return distance, facets

    def _named(self, places: Ints) -> Ints:
        return np.where(places >= 0, self.order[places], -1).astype(np.int32)


def _curve_codes(centres: Points) -> NDArray[np.uint64]:
    low = centres.min(axis=0)
    span = max(float((centres.max(axis=0) - low).max()), 1e-12)
    cells = np.clip((centres - low) / span * 2097151.0, 0, 2097151).astype(np.uint64)
    code = np.zeros(len(centres), dtype=np.uint64)
    for axis in range(3):
        code |= _spread(cells[:, axis]) << np.uint64(axis)
    return code


def _spread(x: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Moves bit i of a 21-bit number to bit 3 i."""
    steps = ((32, 0x1F00000000FFFF), (16, 0x1F0000FF0000FF), (8, 0x100F00F00F00F00F), (4, 0x10C30C30C30C30C3))
    for shift, mask in (*steps, (2, 0x1249249249249249)):
        x = (x | (x << np.uint64(shift))) & np.uint64(mask)
    return x


@njit(cache=True, nogil=True)
def _boxes(corners: NDArray[np.float64], first_leaf: int) -> Floats:
    boxes = np.empty((2 * first_leaf, 6))
    boxes[:, :3] = np.inf
    boxes[:, 3:] = -np.inf
    for f in range(corners.shape[0]):
        leaf = first_leaf + f // LEAF
        for k in range(3):
            for d in range(3):
                boxes[leaf, d] = min(boxes[leaf, d], corners[f, k, d])
                boxes[leaf, 3 + d] = max(boxes[leaf, 3 + d], corners[f, k, d])
    for node in range(first_leaf - 1, 0, -1):
        for d in range(3):
            boxes[node, d] = min(boxes[2 * node, d], boxes[2 * node + 1, d])
            boxes[node, 3 + d] = max(boxes[2 * node, 3 + d], boxes[2 * node + 1, 3 + d])
    return boxes


@njit(cache=True, inline="always")
def _box_distance2(boxes: Floats, node: int, x: float, y: float, z: float) -> float:
    dx = max(boxes[node, 0] - x, x - boxes[node, 3], 0.0)
    dy = max(boxes[node, 1] - y, y - boxes[node, 4], 0.0)
    dz = max(boxes[node, 2] - z, z - boxes[node, 5], 0.0)
    return float(dx * dx + dy * dy + dz * dz)


@njit(cache=True, inline="always")
def _minus(u: Vector, v: Vector) -> Vector:
    return (u[0] - v[0], u[1] - v[1], u[2] - v[2])


@njit(cache=True, inline="always")
def _dot(u: Vector, v: Vector) -> float:
    return u[0] * v[0] + u[1] * v[1] + u[2] * v[2]


@njit(cache=True, inline="always")
def _cross(u: Vector, v: Vector) -> Vector:
    return (u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0])


@njit(cache=True, inline="always")
def _along(a: Vector, u: Vector, s: float, v: Vector, t: float) -> Vector:
    return (a[0] + s * u[0] + t * v[0], a[1] + s * u[1] + t * v[1], a[2] + s * u[2] + t * v[2])


@njit(cache=True, inline="always")
def _corner(corners: NDArray[np.float64], f: int, k: int) -> Vector:
    return (corners[f, k, 0], corners[f, k, 1], corners[f, k, 2])


@njit(cache=True, nogil=True)
def _closest_on_facet(corners: NDArray[np.float64], f: int, p: Vector) -> Vector:
    a, b, c = _corner(corners, f, 0), _corner(corners, f, 1), _corner(corners, f, 2)
    ab, ac, ap = _minus(b, a), _minus(c, a), _minus(p, a)
    d1, d2 = _dot(ab, ap), _dot(ac, ap)
    if d1 <= 0.0 and d2 <= 0.0:
        return a
    bp = _minus(p, b)
    d3, d4 = _dot(ab, bp), _dot(ac, bp)
    if d3 >= 0.0 and d4 <= d3:
        return b
    vc = d1 * d4 - d3 * d2
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        return _along(a, ab, d1 / (d1 - d3), ac, 0.0)
    cp = _minus(p, c)
    d5, d6 = _dot(ab, cp), _dot(ac, cp)
    if d6 >= 0.0 and d5 <= d6:
        return c
    vb = d5 * d2 - d1 * d6
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        return _along(a, ab, 0.0, ac, d2 / (d2 - d6))
    va = d3 * d6 - d5 * d4
    if va <= 0.0 and (d4 - d3) >= 0.0 and (d5 - d6) >= 0.0:
        return _along(b, _minus(c, b), (d4 - d3) / ((d4 - d3) + (d5 - d6)), ac, 0.0)
    total = va + vb + vc
    if total <= 0.0:
        return a
    return _along(a, ab, vb / total, ac, vc / total)


@njit(cache=True, nogil=True)
def _nearest(
    corners: NDArray[np.float64], boxes: Floats, first_leaf: int, queries: Points, reach: float
) -> tuple[Floats, Points, Ints]:
    q = queries.shape[0]
    distance = np.full(q, np.inf)
    points = np.full((q, 3), np.nan)
    facets = np.full(q, -1, dtype=np.int32)
    stack = np.empty(128, dtype=np.int64)
    previous = -1
    for i in range(q):
        p = (queries[i, 0], queries[i, 1], queries[i, 2])
        best, found, point = reach * reach, -1, p
        if previous >= 0:  # neighbours in the order of asking are often neighbours in space
            trial = _closest_on_facet(corners, previous, p)
            gap = _minus(trial, p)
            if _dot(gap, gap) <= best:
                best, found, point = _dot(gap, gap), previous, trial
        stack[0] = 1
        top = 1
        while top > 0:
            top -= 1
            node = stack[top]
            if _box_distance2(boxes, node, p[0], p[1], p[2]) > best:
                continue
            if node >= first_leaf:
                begin = (node - first_leaf) * LEAF
                for f in range(begin, min(begin + LEAF, corners.shape[0])):
                    trial = _closest_on_facet(corners, f, p)
                    gap = _minus(trial, p)
                    d2 = _dot(gap, gap)
                    if d2 < best or (d2 <= best and found < 0):
                        best, found, point = d2, f, trial
                continue
            left = _box_distance2(boxes, 2 * node, p[0], p[1], p[2])
            right = _box_distance2(boxes, 2 * node + 1, p[0], p[1], p[2])
            far = 2 * node + 1 if left <= right else 2 * node
            if max(left, right) <= best:
                stack[top] = far
                top += 1
            if min(left, right) <= best:
                stack[top] = 4 * node + 1 - far
                top += 1
        if found >= 0:
            distance[i], facets[i] = np.sqrt(best), found
            points[i, 0], points[i, 1], points[i, 2] = point
            previous = found
    return distance, points, facets


@njit(cache=True, inline="always")
def _entry(boxes: Floats, node: int, o: Vector, inv: Vector, start: float, best: float) -> float:
    """Where the ray enters a box, inf where it misses it or enters beyond `best`."""
    if boxes[node, 0] > boxes[node, 3]:  # nothing in it: padding of the tree
        return np.inf
    near, far = start, best
    for d in range(3):
        t1 = (boxes[node, d] - o[d]) * inv[d]
        t2 = (boxes[node, 3 + d] - o[d]) * inv[d]
        near = max(near, min(t1, t2))
        far = min(far, max(t1, t2))
    return near if near <= far else np.inf


@njit(cache=True, nogil=True)
def _ray_facet(corners: NDArray[np.float64], f: int, o: Vector, d: Vector) -> float:
    """Distance along the ray to the facet, inf where it is missed or grazed edge on."""
    a = _corner(corners, f, 0)
    e1, e2 = _minus(_corner(corners, f, 1), a), _minus(_corner(corners, f, 2), a)
    p = _cross(d, e2)
    det = _dot(e1, p)
    if abs(det) < 1e-14:
        return np.inf
    s = _minus(o, a)
    u = _dot(s, p) / det
    if u < -1e-9 or u > 1.0 + 1e-9:
        return np.inf
    q = _cross(s, e1)
    v = _dot(d, q) / det
    if v < -1e-9 or u + v > 1.0 + 1e-9:
        return np.inf
    return _dot(e2, q) / det


@njit(cache=True, inline="always")
def _reciprocal(c: float) -> float:
    if abs(c) < 1e-12:
        return 1e12 if c >= 0.0 else -1e12
    return 1.0 / c


@njit(cache=True, nogil=True)
def _cast(
    corners: NDArray[np.float64],
    boxes: Floats,
    first_leaf: int,
    o: Vector,
    d: Vector,
    span: tuple[float, float],
    any_hit: bool,
    stack: NDArray[np.int64],
) -> tuple[float, int]:
    start, best = span
    facet = -1
    inv = (_reciprocal(d[0]), _reciprocal(d[1]), _reciprocal(d[2]))
    stack[0] = 1
    top = 1
    while top > 0:
        top -= 1
        node = stack[top]
        if _entry(boxes, node, o, inv, start, best) == np.inf:
            continue
        if node < first_leaf:
            left = _entry(boxes, 2 * node, o, inv, start, best)
            right = _entry(boxes, 2 * node + 1, o, inv, start, best)
            far = 2 * node + 1 if left <= right else 2 * node
            if max(left, right) < np.inf:
                stack[top] = far
                top += 1
            if min(left, right) < np.inf:
                stack[top] = 4 * node + 1 - far
                top += 1
            continue
        begin = (node - first_leaf) * LEAF
        for f in range(begin, min(begin + LEAF, corners.shape[0])):
            t = _ray_facet(corners, f, o, d)
            if start <= t <= best and t < np.inf:
                best, facet = t, f
                if any_hit:
                    return best, facet
    return best, facet


@njit(cache=True, nogil=True)
def _first_hits(
    corners: NDArray[np.float64],
    boxes: Floats,
    first_leaf: int,
    origins: Points,
    directions: Points,
    span: tuple[float, float],
    any_hit: bool,
) -> tuple[Floats, Ints]:
    n = origins.shape[0]
    distance = np.full(n, np.inf)
    facets = np.full(n, -1, dtype=np.int32)
    stack = np.empty(128, dtype=np.int64)
    for i in range(n):
        o = (origins[i, 0], origins[i, 1], origins[i, 2])
        d = (directions[i, 0], directions[i, 1], directions[i, 2])
        t, f = _cast(corners, boxes, first_leaf, o, d, span, any_hit, stack)
        if f >= 0:
            distance[i], facets[i] = t, f
    return distance, facets

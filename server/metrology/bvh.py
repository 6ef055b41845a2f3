"""Closest points on a surface and rays against it, exact, by a tree of boxes over its facets.

Facets are halved at the median along the longer side of what they fill, again and again, and boxed pairwise upward. Slivers
are handled by exact closest-point-on-triangle arithmetic in float64 (method: Ericson 2005, Real-Time Collision
Detection, 5.1.5; rays: Möller & Trumbore 1997).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.halving import LEAF, halved
from server.metrology.scan import Points, Scan, facet_centres

CORNER, EDGE_1, EDGE_2, PRODUCTS, MIDDLE, RADIUS = 0, 3, 6, 9, 12, 15
"""Where a facet's row holds its first corner, the two edges from there, their products 11, 12, 22, and a ball about it."""

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
    """A tree of boxes over the facets of a scan. Built once, asked often; safe to share between threads.

    order: (m,) int32 facets of the scan as they stand in the leaves, so that neighbours are neighbours in space.
    """

    def __init__(self, scan: Scan) -> None:
        n_leaves = max(1, -(-len(scan.faces) // LEAF))
        self.first_leaf = 1 << (n_leaves - 1).bit_length()
        self.order = halved(facet_centres(scan.vertices, scan.faces), self.first_leaf)
        self.facets = _rows(scan.vertices, scan.faces, self.order)
        self.boxes = _boxes(self.facets, self.first_leaf)

    def nearest(self, queries: Points, reach_mm: float = np.inf) -> Nearest:
        """The closest point of the surface to each query, (q, 3) float64, within `reach_mm`."""
        asked = np.ascontiguousarray(queries, dtype=np.float64)
        distance, points, facets = _nearest(self.facets, self.boxes, self.first_leaf, asked, float(reach_mm))
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
        distance, facets = _first_hits(self.facets, self.boxes, self.first_leaf, o, d, reach, any_hit)
        return distance, facets

    def _named(self, places: Ints) -> Ints:
        return np.where(places >= 0, self.order[places], -1).astype(np.int32)


@njit(cache=True, nogil=True, error_model="numpy")
def _rows(vertices: Points, faces: Ints, order: Ints) -> Floats:
    """(m, 16) what is asked of each facet, in the order of the leaves."""
    rows = np.empty((order.shape[0], 16))
    for place in range(order.shape[0]):
        row = rows[place]
        face = faces[order[place]]
        row[PRODUCTS : PRODUCTS + 3] = 0.0
        for d in range(3):
            a, b, c = vertices[face[0], d], vertices[face[1], d], vertices[face[2], d]
            u, v = b - a, c - a
            row[CORNER + d], row[EDGE_1 + d], row[EDGE_2 + d] = a, u, v
            row[MIDDLE + d] = (a + b + c) / 3.0
            row[PRODUCTS] += u * u
            row[PRODUCTS + 1] += u * v
            row[PRODUCTS + 2] += v * v
        farthest = 0.0
        for k in range(3):
            x, y, z = vertices[face[k], 0], vertices[face[k], 1], vertices[face[k], 2]
            gap = (x - row[MIDDLE], y - row[MIDDLE + 1], z - row[MIDDLE + 2])
            farthest = max(farthest, _dot(gap, gap))
        row[RADIUS] = np.sqrt(farthest) * (1.0 + 1e-9) + 1e-12
    return rows


@njit(cache=True, nogil=True)
def _boxes(facets: Floats, first_leaf: int) -> Floats:
    """(2 first_leaf, 6) least and greatest corner of every node; where no facet is left, a box at infinity."""
    boxes = np.empty((2 * first_leaf, 6))
    boxes[:, :3] = np.inf
    boxes[:, 3:] = -np.inf
    for f in range(facets.shape[0]):
        leaf = first_leaf + f // LEAF
        for d in range(3):
            a = facets[f, CORNER + d]
            b, c = a + facets[f, EDGE_1 + d], a + facets[f, EDGE_2 + d]
            boxes[leaf, d] = min(boxes[leaf, d], a, b, c)
            boxes[leaf, 3 + d] = max(boxes[leaf, 3 + d], a, b, c)
    for node in range(first_leaf - 1, 0, -1):
        for d in range(3):
            boxes[node, d] = min(boxes[2 * node, d], boxes[2 * node + 1, d])
            boxes[node, 3 + d] = max(boxes[2 * node, 3 + d], boxes[2 * node + 1, 3 + d])
    for node in range(1, 2 * first_leaf):
        if boxes[node, 0] > boxes[node, 3]:
            boxes[node] = np.inf
    return boxes


@njit(cache=True, inline="always", error_model="numpy")
def _box_distance2(boxes: Floats, node: int, p: Vector) -> float:
    dx = max(boxes[node, 0] - p[0], p[0] - boxes[node, 3], 0.0)
    dy = max(boxes[node, 1] - p[1], p[1] - boxes[node, 4], 0.0)
    dz = max(boxes[node, 2] - p[2], p[2] - boxes[node, 5], 0.0)
    return float(dx * dx + dy * dy + dz * dz)


@njit(cache=True, inline="always", error_model="numpy")
def _minus(u: Vector, v: Vector) -> Vector:
    return (u[0] - v[0], u[1] - v[1], u[2] - v[2])


@njit(cache=True, inline="always", error_model="numpy")
def _dot(u: Vector, v: Vector) -> float:
    return u[0] * v[0] + u[1] * v[1] + u[2] * v[2]


@njit(cache=True, inline="always", error_model="numpy")
def _cross(u: Vector, v: Vector) -> Vector:
    return (u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0])


@njit(cache=True, inline="always", error_model="numpy")
def _vector(facets: Floats, f: int, k: int) -> Vector:
    return (facets[f, k], facets[f, k + 1], facets[f, k + 2])


@njit(cache=True, inline="always", error_model="numpy")
def _closest_on_facet(facets: Floats, f: int, p: Vector) -> Vector:
    a, ab, ac = _vector(facets, f, CORNER), _vector(facets, f, EDGE_1), _vector(facets, f, EDGE_2)
    s, t = _closest_weights(facets, f, _dot(ab, _minus(p, a)), _dot(ac, _minus(p, a)))
    return (
        a[0] + s * ab[0] + t * ac[0],
        a[1] + s * ab[1] + t * ac[1],
        a[2] + s * ab[2] + t * ac[2],
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _closest_weights(facets: Floats, f: int, d1: float, d2: float) -> tuple[float, float]:
    """Shares of the two edges that lead to the closest point. d1, d2: the edges' products with the way to the query."""
    d3, d4 = d1 - facets[f, PRODUCTS], d2 - facets[f, PRODUCTS + 1]
    d5, d6 = d1 - facets[f, PRODUCTS + 1], d2 - facets[f, PRODUCTS + 2]
    if d1 <= 0.0 and d2 <= 0.0:
        return 0.0, 0.0
    if d3 >= 0.0 and d4 <= d3:
        return 1.0, 0.0
    vc = d1 * d4 - d3 * d2
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        return d1 / (d1 - d3), 0.0
    if d6 >= 0.0 and d5 <= d6:
        return 0.0, 1.0
    vb = d5 * d2 - d1 * d6
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        return 0.0, d2 / (d2 - d6)
    va = d3 * d6 - d5 * d4
    if va <= 0.0 and (d4 - d3) >= 0.0 and (d5 - d6) >= 0.0:
        share = (d4 - d3) / ((d4 - d3) + (d5 - d6))
        return 1.0 - share, share
    total = va + vb + vc
    if total <= 0.0:
        return 0.0, 0.0
    return vb / total, vc / total


@njit(cache=True, inline="always", error_model="numpy")
def _is_beyond(facets: Floats, f: int, p: Vector, reach: float) -> bool:
    """Whether the ball about a facet is farther off than `reach`."""
    gap = _minus(_vector(facets, f, MIDDLE), p)
    far = reach + facets[f, RADIUS]
    return bool(_dot(gap, gap) > far * far)


@njit(cache=True, nogil=True, error_model="numpy")
def _nearest(
    rows: Floats, boxes: Floats, first_leaf: int, queries: Points, reach: float
) -> tuple[Floats, Points, Ints]:
    q = queries.shape[0]
    distance = np.full(q, np.inf)
    points = np.full((q, 3), np.nan)
    facets = np.full(q, -1, dtype=np.int32)
    stack, gaps = np.empty(128, dtype=np.int64), np.empty(128)
    previous = -1
    for i in range(q):
        p = (queries[i, 0], queries[i, 1], queries[i, 2])
        best, found, point = reach * reach, -1, p
        if previous >= 0:  # neighbours in the order of asking are often neighbours in space
            trial = _closest_on_facet(rows, previous, p)
            gap = _minus(trial, p)
            if _dot(gap, gap) <= best:
                best, found, point = _dot(gap, gap), previous, trial
        within = np.sqrt(best)
        stack[0], gaps[0] = 1, 0.0
        top = 1
        while top > 0:
            top -= 1
            if gaps[top] > best:
                continue
            node = stack[top]
            while 0 < node < first_leaf:
                left, right = _box_distance2(boxes, 2 * node, p), _box_distance2(boxes, 2 * node + 1, p)
                near = 2 * node if left <= right else 2 * node + 1
                if max(left, right) <= best:
                    stack[top], gaps[top] = 4 * node + 1 - near, max(left, right)
                    top += 1
                node = near if min(left, right) <= best else -1
            begin = (node - first_leaf) * LEAF if node > 0 else rows.shape[0]
            for f in range(begin, min(begin + LEAF, rows.shape[0])):
                if _is_beyond(rows, f, p, within):
                    continue
                trial = _closest_on_facet(rows, f, p)
                gap = _minus(trial, p)
                d2 = _dot(gap, gap)
                if d2 < best or (d2 <= best and found < 0):
                    best, found, point = d2, f, trial
                    within = np.sqrt(best)
        if found >= 0:
            distance[i], facets[i] = np.sqrt(best), found
            points[i, 0], points[i, 1], points[i, 2] = point
            previous = found
    return distance, points, facets


@njit(cache=True, inline="always", error_model="numpy")
def _entry(boxes: Floats, node: int, o: Vector, inv: Vector, start: float, best: float) -> float:
    """Where the ray enters a box, inf where it misses it or enters beyond `best`."""
    x1, x2 = (boxes[node, 0] - o[0]) * inv[0], (boxes[node, 3] - o[0]) * inv[0]
    y1, y2 = (boxes[node, 1] - o[1]) * inv[1], (boxes[node, 4] - o[1]) * inv[1]
    z1, z2 = (boxes[node, 2] - o[2]) * inv[2], (boxes[node, 5] - o[2]) * inv[2]
    near = max(start, min(x1, x2), min(y1, y2), min(z1, z2))
    far = min(best, max(x1, x2), max(y1, y2), max(z1, z2))
    return near if near <= far else np.inf


@njit(cache=True, inline="always", error_model="numpy")
def _ray_facet(rows: Floats, f: int, o: Vector, d: Vector) -> float:
    """Distance along the ray to the facet, inf where it is missed or grazed edge on."""
    e1, e2 = _vector(rows, f, EDGE_1), _vector(rows, f, EDGE_2)
    p = _cross(d, e2)
    det = _dot(e1, p)
    s = _minus(o, _vector(rows, f, CORNER))
    q = _cross(s, e1)
    u, v = _dot(s, p) / det, _dot(d, q) / det
    is_met = abs(det) >= 1e-14 and u >= -1e-9 and v >= -1e-9 and u <= 1.0 + 1e-9 and u + v <= 1.0 + 1e-9
    return _dot(e2, q) / det if is_met else np.inf


@njit(cache=True, inline="always", error_model="numpy")
def _reciprocal(c: float) -> float:
    if abs(c) < 1e-12:
        return 1e12 if c >= 0.0 else -1e12
    return 1.0 / c


@njit(cache=True, nogil=True, error_model="numpy")
def _first_hits(
    rows: Floats,
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
    stack, entries = np.empty(128, dtype=np.int64), np.empty(128)
    start = span[0]
    for i in range(n):
        o = (origins[i, 0], origins[i, 1], origins[i, 2])
        d = (directions[i, 0], directions[i, 1], directions[i, 2])
        inv = (_reciprocal(d[0]), _reciprocal(d[1]), _reciprocal(d[2]))
        best, found = span[1], -1
        stack[0], entries[0] = 1, start
        top = 1
        while top > 0 and not (any_hit and found >= 0):
            top -= 1
            if entries[top] > best:
                continue
            node = stack[top]
            while 0 < node < first_leaf:
                left = _entry(boxes, 2 * node, o, inv, start, best)
                right = _entry(boxes, 2 * node + 1, o, inv, start, best)
                near = 2 * node if left <= right else 2 * node + 1
                if max(left, right) < np.inf:
                    stack[top], entries[top] = 4 * node + 1 - near, max(left, right)
                    top += 1
                node = near if min(left, right) < np.inf else -1
            begin = (node - first_leaf) * LEAF if node > 0 else rows.shape[0]
            for f in range(begin, min(begin + LEAF, rows.shape[0])):
                t = _ray_facet(rows, f, o, d)
                if start <= t <= best and t < np.inf:
                    best, found = t, f
        if found >= 0:
            distance[i], facets[i] = best, found
    return distance, facets

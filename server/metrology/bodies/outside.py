"""Which side of a reference mesh can be seen from outside: even samples of its surface, and where each sees the sky."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from server.metrology.bvh import BoxTree
from server.metrology.scan import Points, Scan

SAMPLE_MM = 0.12
OPEN_SHARE = 0.25
"""Least share of the sky that a point of the outer surface sees; the wall of a channel sees less."""


def samples_of(mesh: Scan) -> tuple[Points, Points, NDArray[np.int64], float]:
    """Points, unit normals and facets of samples spread evenly over all facets, and the area in mm² of each: on each facet
    a lattice, what is left over by a running sum of area."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    double = np.linalg.norm(cross, axis=1)
    step2 = SAMPLE_MM**2
    ends = np.floor(np.cumsum(double / 2.0) / step2 + 0.5).astype(np.int64)
    count = np.diff(ends, prepend=0)
    facets = np.repeat(np.arange(len(count)), count)
    # a low-discrepancy lattice in the unit square (Roberts 2018: R2), folded into the triangle, led on from facet to facet
    k = np.arange(len(facets)) + 1.0
    u, v = (0.5 + k * 0.7548776662466927) % 1.0, (0.5 + k * 0.5698402909980532) % 1.0
    fold = u + v > 1.0
    u, v = np.where(fold, 1.0 - u, u)[:, None], np.where(fold, 1.0 - v, v)[:, None]
    at = a[facets] + u * (b - a)[facets] + v * (c - a)[facets]
    return at, cross[facets] / double[facets, None], facets, step2


def open_side(tree: BoxTree, points: Points, normals: Points) -> NDArray[np.int64]:
    """+1 or -1 for the side of each point that sees the sky, 0 where neither does. Only rays that rise are asked."""
    sky = _directions()
    seen = np.zeros((len(points), 2))
    asked = np.zeros((len(points), 2))
    for ray in sky:
        along = normals @ ray
        for k, side in enumerate((1.0, -1.0)):
            ahead = np.flatnonzero(side * along > 0.2)
            blocked = tree.is_blocked(points[ahead], np.tile(ray, (len(ahead), 1)), 100.0, 1e-3)
            asked[ahead, k] += 1.0
            seen[ahead, k] += ~blocked
    share = seen / np.maximum(asked, 1.0)
    best = np.where(share[:, 0] >= share[:, 1], 1, -1)
    return np.where(share.max(axis=1) >= OPEN_SHARE, best, 0)


def _directions() -> Points:
    made = []
    for z, n in ((0.05, 12), (0.4, 10), (0.75, 7), (0.98, 3)):
        turn = np.arange(n) * 2.0 * np.pi / n + z
        made.append(np.column_stack([np.cos(turn), np.sin(turn), np.full(n, z / np.sqrt(1.0 - z * z))]))
    rays = np.concatenate(made)
    return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True))

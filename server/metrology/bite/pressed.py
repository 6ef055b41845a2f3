"""Where one jaw lies inside the other: over which area, and how much of both is in the same place.

Facets are cut where the gap passes through nothing, linear between their corners. The volume is summed in columns along
the occlusal direction: from the working surface, inside the other jaw, back to that jaw's surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.bvh import BoxTree
from server.metrology.scan import Faces, Points

Floats = NDArray[np.float64]

LONGEST_MM = 6.0
"""No column of two jaws in the same place is longer than this; a ray that goes on has passed through a hole."""


@dataclass(frozen=True, slots=True)
class Pressed:
    area_mm2: float
    volume_mm3: float


def pressed(points: Points, faces: Faces, gap_mm: Floats, other: BoxTree, occlusal: Floats) -> Pressed:
    """points (n, 3), faces (m, 3) of the working surface; gap_mm (n,): NaN where a point does not face the other jaw;
    occlusal (3,) unit, from the working jaw to the other."""
    corners = gap_mm[faces]
    inside = faces[np.isfinite(corners).all(axis=1) & (corners < 0.0).any(axis=1)]
    if not len(inside):
        return Pressed(0.0, 0.0)
    used, local = np.unique(inside, return_inverse=True)
    depth = np.zeros(len(used))
    deep = gap_mm[used] < 0.0
    hits = other.first_hits(
        points[used[deep]], np.broadcast_to(-occlusal, (int(deep.sum()), 3)), LONGEST_MM, 0.0
    )
    depth[deep] = np.where(hits.facets >= 0, hits.distance_mm, -gap_mm[used[deep]])
    area, volume = 0.0, 0.0
    for triangle in local.reshape(-1, 3):
        piece = _inside_piece(points[used[triangle]], gap_mm[used[triangle]], depth[triangle])
        for k in range(1, len(piece) - 1):
            a, b, c = piece[0], piece[k], piece[k + 1]
            vector = 0.5 * np.cross(b[:3] - a[:3], c[:3] - a[:3])
            area += float(np.linalg.norm(vector))
            volume += abs(float(vector @ occlusal)) * float(a[3] + b[3] + c[3]) / 3.0
    return Pressed(area, volume)


def _inside_piece(points: Points, gap: Floats, depth: Floats) -> list[Floats]:
    """The corners (x, y, z, depth) of what is left of a triangle where the gap is negative (Sutherland & Hodgman 1974)."""
    made = []
    for k in range(3):
        j = (k + 1) % 3
        if gap[k] < 0.0:
            made.append(np.append(points[k], depth[k]))
        if (gap[k] < 0.0) != (gap[j] < 0.0):
            share = gap[k] / (gap[k] - gap[j])
            made.append(np.append(points[k] + share * (points[j] - points[k]), 0.0))
    return made

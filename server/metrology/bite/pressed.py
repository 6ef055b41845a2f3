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
    faces = faces[np.isfinite(corners).all(axis=1) & (corners < 0.0).any(axis=1)]
    if not len(faces):
        return Pressed(0.0, 0.0)
    deep = np.unique(faces)
    deep = deep[gap_mm[deep] < 0.0]
    column = np.zeros(len(points))
    hits = other.first_hits(points[deep], np.tile(-occlusal, (len(deep), 1)), LONGEST_MM)
    column[deep] = np.where(hits.facets >= 0, hits.distance_mm, -gap_mm[deep])
    pieces = _inside(np.concatenate([points, column[:, None]], axis=1)[faces], gap_mm[faces])
    a, b, c = pieces[:, 0], pieces[:, 1], pieces[:, 2]
    vectors = 0.5 * np.cross(b[:, :3] - a[:, :3], c[:, :3] - a[:, :3])
    across = np.abs(vectors @ occlusal)
    return Pressed(float(np.linalg.norm(vectors, axis=1).sum()), float(across @ pieces[:, :, 3].mean(axis=1)))


def _inside(corners: Floats, gap_mm: Floats) -> Floats:
    """Triangles (k, 3, 4) of x, y, z and column that make up what is left of triangles (m, 3, 4) where the gap (m, 3) is
    negative."""
    inside = gap_mm < 0.0
    count = inside.sum(axis=1)
    made = [corners[count == 3]]
    for few, is_in in ((1, True), (2, False)):
        own = count == few
        lone = np.argmax(inside[own] == is_in, axis=1)
        turn = (lone[:, None] + np.arange(3)) % 3
        p = np.take_along_axis(corners[own], turn[:, :, None], axis=1)
        g = np.take_along_axis(gap_mm[own], turn, axis=1)
        ab, ac = _crossing(p, g, 1), _crossing(p, g, 2)
        if is_in:
            made.append(np.stack([p[:, 0], ab, ac], axis=1))
        else:
            made += [np.stack([ab, p[:, 1], p[:, 2]], axis=1), np.stack([ab, p[:, 2], ac], axis=1)]
    return np.concatenate(made)


def _crossing(corners: Floats, gap_mm: Floats, k: int) -> Floats:
    """(m, 4) where the gap passes through nothing between the first corner and another; no column stands there."""
    share = (gap_mm[:, 0] / (gap_mm[:, 0] - gap_mm[:, k]))[:, None]
    at = corners[:, 0] + share * (corners[:, k] - corners[:, 0])
    at[:, 3] = 0.0
    return np.asarray(at)

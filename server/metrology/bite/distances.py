"""How far points of one jaw are from the other, with a sign: + apart, - inside it; and only where the two face each other.

The distance is that to the closest point of the other surface, exact; the sign is the side of the surface on which the
point lies, by the normal there, smooth over the facets around (Bærentzen & Aanæs 2005 weigh by angle, this by area).
Where that point lies on a border, nothing is said: beyond it the jaw goes on unseen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.registration.fit import smooth_normals
from server.metrology.registration.surface import Surface
from server.metrology.scan import Points
from server.metrology.topology import Topology

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_COSINE = 0.5
"""Surfaces that look at each other within 60 degrees of straight do face each other."""
MAIN_SHARE = 0.1
"""Pieces smaller than this share of the largest are loose flakes and not part of the jaw."""


@dataclass(frozen=True, slots=True)
class Distances:
    """faces: (n,) whether a point faces the other jaw within reach. gap_mm: (n,) signed distance, NaN where it does not.
    closest: (n, 3) on the other jaw; toward: (n, 3) unit, the direction in which a growing gap moves the point."""

    faces: Bools
    gap_mm: Floats
    closest: Points
    toward: Points


def distances_to(other: Surface, points: Points, normals: Points, reach_mm: float) -> Distances:
    """Signed distances of points (n, 3) with outward normals (n, 3) to the other jaw, whose scanned side is out. All in
    one frame, mm."""
    nearest = other.tree.nearest(points, reach_mm)
    found = nearest.facets >= 0
    trusted = is_main(other.topology) & ~other.is_border_facet
    found[found] = trusted[nearest.facets[found]]
    toward = np.zeros_like(points)
    corners = other.topology.scan.faces[nearest.facets[found]]
    toward[found] = smooth_normals(
        other.topology.scan.vertices[corners], other.topology.vertex_normals[corners], nearest.points[found]
    )
    faces = found & (np.einsum("ij,ij->i", normals, toward) < -LEAST_COSINE)
    step = np.where(faces[:, None], points - nearest.points, 0.0)
    side = np.where(np.einsum("ij,ij->i", step, toward) < 0.0, -1.0, 1.0)
    gap = np.where(faces, side * np.where(faces, nearest.distance_mm, 0.0), np.nan)
    return Distances(faces, gap, nearest.points, toward)


def is_main(topology: Topology) -> Bools:
    """(m,) whether a facet belongs to the jaw and not to a loose flake beside it."""
    areas = topology.shell_areas_mm2
    return np.asarray((areas >= MAIN_SHARE * areas.max())[topology.face_shell])


def main_vertices(surface: Surface) -> Bools:
    """(n,) vertices of the jaw itself, off its borders."""
    faces = surface.topology.scan.faces
    is_inner = np.zeros(surface.topology.scan.n_vertices, dtype=bool)
    is_inner[faces[is_main(surface.topology)]] = True
    is_inner[faces[surface.is_border_facet]] = False
    return is_inner

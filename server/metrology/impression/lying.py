"""What scans of the jaw say of a denture laid on them: which facets lie on the tissue, and which cannot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, turn
from server.metrology.topology import Topology

Floats = NDArray[np.float64]

ON_MM = 0.3
"""What faces tissue within this lies on it. Mucosa gives by tenths of a millimetre, a denture's border is thicker."""
OFF_MM = 1.5
"""What is farther than this from all that was scanned and faces as the tissue beneath does is the outer side. Walls and roof of
an imprint, which a scan without bodies knows nothing of, face across or against it."""
LEAST_COSINE = 0.5


@dataclass(frozen=True, slots=True)
class Lain:
    """A scan the denture was laid on, and how: T_scan_denture (4, 4)."""

    surface: Surface
    T: Floats


def known_by(denture: Topology, scans: tuple[Lain, ...]) -> Floats:
    """(m,) by facet of a denture wound outward: 1 where it lies on one of the scans, -1 where it lies on none and faces away
    from it, 0 where they say nothing, as beyond their borders."""
    points = denture.scan.vertices[denture.scan.faces].mean(axis=1)
    lies_on = np.zeros(len(points), dtype=bool)
    is_away = np.full(len(points), len(scans) > 0)
    for lain in scans:
        nearest = lain.surface.tree.nearest(apply(lain.T, points))
        within = ~lain.surface.is_border_facet[nearest.facets]
        facing = np.einsum(
            "ij,ij->i", turn(lain.T, denture.normals), lain.surface.topology.normals[nearest.facets]
        )
        lies_on |= within & (nearest.distance_mm < ON_MM) & (facing < -LEAST_COSINE)
        is_away &= within & (nearest.distance_mm > OFF_MM) & (facing > LEAST_COSINE)
    return np.where(lies_on, 1.0, np.where(is_away, -1.0, 0.0))

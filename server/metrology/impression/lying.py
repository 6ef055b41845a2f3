"""What scans of the jaw say of a denture laid on them: which facets lie on the tissue, and which cannot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, turn
from server.metrology.scan import Points, facet_centres
from server.metrology.topology import Topology

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ON_MM = 0.3
"""What faces tissue within this lies on it. Mucosa gives by tenths of a millimetre, a denture's border is thicker."""
OFF_MM = 1.5
"""What is farther than this from all that was scanned and faces as the tissue beneath does is the outer side. Walls and roof of
an imprint, which a scan without bodies knows nothing of, face across or against it."""
LEAST_COSINE = 0.5


CELL_MM = 1.0
"""How far facets are from a scan is asked once for those that lie in one cell of this size."""


@dataclass(frozen=True, slots=True)
class Lain:
    """A scan the denture was laid on, and how: T_scan_denture (4, 4)."""

    surface: Surface
    T: Floats


def known_by(denture: Topology, scans: tuple[Lain, ...]) -> Floats:
    """(m,) by facet of a denture wound outward: 1 where it lies on one of the scans, -1 where it lies on none and faces away
    from it, 0 where they say nothing, as beyond their borders."""
    points = facet_centres(denture.scan.vertices, denture.scan.faces)
    lies_on = np.zeros(len(points), dtype=bool)
    for lain in scans:
        left = np.flatnonzero(~lies_on)
        lies_on[left] = _lies_on(lain.surface, *_moved(lain, points[left], denture.normals[left]))
    away = np.flatnonzero(~lies_on) if scans else np.zeros(0, dtype=np.int64)
    for lain in scans:
        away = away[_is_away(lain.surface, *_moved(lain, points[away], denture.normals[away]))]
    known = np.where(lies_on, 1.0, 0.0)
    known[away] = -1.0
    return known


def _moved(lain: Lain, points: Points, normals: Points) -> tuple[Points, Points]:
    return apply(lain.T, points), turn(lain.T, normals)


def _lies_on(scan: Surface, at: Points, normals: Points) -> Mask:
    """(m,) whether places face the scan within ON_MM, not beyond its border."""
    nearest = scan.tree.nearest(at, ON_MM).facets
    met = nearest >= 0
    met[met] = ~scan.is_border_facet[nearest[met]]
    met[met] = _along(normals[met], scan.topology.normals[nearest[met]]) < -LEAST_COSINE
    return met


def _is_away(scan: Surface, at: Points, normals: Points) -> Mask:
    """(m,) whether places lie farther than OFF_MM before the scan and face as it does there, by one place of each cell."""
    if len(at) == 0:
        return np.zeros(0, dtype=bool)
    cells = np.floor((at - at.min(axis=0)) / CELL_MM).astype(np.int64)
    key = cells[:, 0] << 42 | cells[:, 1] << 21 | cells[:, 2]
    _, one, cell = np.unique(key, return_index=True, return_inverse=True)
    nearest = scan.tree.nearest(at[one])
    is_far = (nearest.distance_mm > OFF_MM) & ~scan.is_border_facet[nearest.facets]
    beneath = scan.topology.normals[nearest.facets][cell]
    return np.asarray(is_far[cell] & (_along(normals, beneath) > LEAST_COSINE))


def _along(a: Points, b: Points) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", a, b))

"""The facets of a closed surface as a graph: which lie beside which, how sharply the surface turns between them, and small
pieces of them that no sharp turn runs through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from server.metrology.made_once import made_once
from server.metrology.scan import Points, facet_centres
from server.metrology.topology import Topology

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

PIECE_MM = 1.2
"""Facets of one piece lie in one cell of this size."""
FLAT_PER_MM = 0.6
"""Pieces do not reach over edges at which the surface turns outward faster than this (rad/mm)."""


@dataclass(frozen=True)
class FacetGraph:
    """one, other: (e,) facets on both sides of each inner edge; length_mm: (e,) of the edge; turn_per_mm: (e,) how fast the
    surface turns across it, + where it is convex. centres: (m, 3); normals: (m, 3) evened over neighbours; areas_mm2: (m,).
    """

    one: Ints
    other: Ints
    length_mm: Floats
    turn_per_mm: Floats
    centres: Points
    normals: Points
    areas_mm2: Floats

    @made_once
    def pieces(self) -> Ints:
        """(m,) the number of the piece each facet is in."""
        cells = np.floor((self.centres - self.centres.min(axis=0)) / PIECE_MM).astype(np.int64)
        key = cells[:, 0] << 42 | cells[:, 1] << 21 | cells[:, 2]
        is_joined = (self.turn_per_mm < FLAT_PER_MM) & (key[self.one] == key[self.other])
        return self.components(is_joined)

    def components(self, is_joined: Mask) -> Ints:
        """(m,) numbers of the parts that hang together through the edges chosen, (e,)."""
        m = len(self.centres)
        a, b = self.one[is_joined], self.other[is_joined]
        _, number = connected_components(
            coo_array((np.ones(len(a), bool), (a, b)), shape=(m, m)), directed=False
        )
        return np.asarray(number, dtype=np.int64)

    def spread(self, mask: Mask, rings: int) -> Mask:
        """The facets of a mask (m,) and those within `rings` neighbours of them."""
        grown = mask.copy()
        for _ in range(rings):
            before = grown.copy()
            grown[self.one] |= before[self.other]
            grown[self.other] |= before[self.one]
        return grown


def facet_graph(topology: Topology) -> FacetGraph:
    """The graph of a surface wound outward. Edges in which more than two facets meet join nothing."""
    scan = topology.scan
    half = np.flatnonzero(topology.twin > np.arange(len(topology.twin)))
    one, other = (half // 3).astype(np.int64), (topology.twin[half] // 3).astype(np.int64)
    centres = facet_centres(scan.vertices, scan.faces)
    normals = _evened(topology, one, other)
    step = centres[other] - centres[one]
    turn = np.einsum("ij,ij->i", normals[other] - normals[one], step)
    ends = scan.vertices[scan.faces[one, (half % 3 + 1) % 3]] - scan.vertices[scan.faces[one, half % 3]]
    return FacetGraph(
        one=one,
        other=other,
        length_mm=np.linalg.norm(ends, axis=1),
        turn_per_mm=turn / np.maximum(np.einsum("ij,ij->i", step, step), 1e-9),
        centres=centres,
        normals=normals,
        areas_mm2=topology.areas_mm2,
    )


def _evened(topology: Topology, one: Ints, other: Ints) -> Points:
    """Normals of facets, each averaged with its neighbours by area: scatter of points turns single facets by degrees."""
    weighted = topology.normals * topology.areas_mm2[:, None]
    total = weighted.copy()
    for k in range(3):
        total[:, k] += np.bincount(one, weights=weighted[other, k], minlength=len(total))
        total[:, k] += np.bincount(other, weights=weighted[one, k], minlength=len(total))
    return np.asarray(total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12))

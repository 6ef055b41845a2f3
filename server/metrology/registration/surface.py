"""A surface made ready to be laid on another: its tree, its borders, and points spread evenly over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.bvh import BoxTree
from server.metrology.made_once import made_once
from server.metrology.scan import Points
from server.metrology.topology import NO_TWIN, Topology

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

PLASTIC = 1.32471795724474602596
"""Root of x³ = x + 1: multiples of its inverse powers fill a square evenly (Roberts 2018, R2 sequence)."""


@dataclass(frozen=True, slots=True)
class Samples:
    """points: (n, 3) on the surface; normals: (n, 3) unit, smooth over the facets around; each stands for area_mm2."""

    points: Points
    normals: Points
    area_mm2: float

    def turned_over(self) -> Samples:
        """The same points seen from behind."""
        return Samples(self.points, -self.normals, self.area_mm2)


@dataclass(frozen=True)
class Surface:
    """A scan with its topology and tree. What is derived is made once."""

    topology: Topology
    tree: BoxTree

    @made_once
    def is_border_facet(self) -> NDArray[np.bool_]:
        """(m,) whether a facet touches a border: a closest point there says nothing of what lies beyond it."""
        scan = self.topology.scan
        border = np.flatnonzero(self.topology.twin == NO_TWIN)
        on_border = np.zeros(scan.n_vertices, dtype=bool)
        on_border[scan.faces[border // 3, border % 3]] = True
        on_border[scan.faces[border // 3, (border % 3 + 1) % 3]] = True
        return np.asarray(on_border[scan.faces].any(axis=1))

    def samples(self, count: int) -> Samples:
        """About `count` points, each for an equal share of the area, spread evenly and always the same.

        Facets are walked in the order of the tree's space-filling curve, so that equal steps of area are near equal
        steps over the surface, and neighbours in the answer are neighbours in space.
        """
        topology, order = self.topology, self.tree.order
        areas = topology.areas_mm2[order]
        ends = np.cumsum(areas)
        total = float(ends[-1])
        facets = order[
            np.minimum(np.searchsorted(ends, (np.arange(count) + 0.5) * (total / count)), len(order) - 1)
        ]
        steps = np.arange(1, count + 1)
        root = np.sqrt((steps / PLASTIC) % 1.0)
        share = (steps / PLASTIC**2) % 1.0
        weights = np.stack([1.0 - root, root * (1.0 - share), root * share], axis=1)
        corners = topology.scan.faces[facets]
        points = np.einsum("nk,nkd->nd", weights, topology.scan.vertices[corners])
        normals = np.einsum("nk,nkd->nd", weights, topology.vertex_normals[corners])
        length = np.linalg.norm(normals, axis=1)
        good = length > 0.1
        return Samples(points[good], normals[good] / length[good, None], total / count)

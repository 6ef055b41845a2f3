"""The field of signed distances over one jaw: its points that face the other, each with its gap, smooth and as scanned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.bite.distances import distances_to, main_vertices
from server.metrology.bite.smoothing import smoothed
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, inverse, turn
from server.metrology.scan import Faces, Points

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

REACH_MM = 3.0
NEAR_MM = 1.5
"""Gaps wider than the least by more than this are not made smooth: nothing hangs on them."""
LEAST_TOWARD = -0.3
"""Points that look farther away from the other jaw than this (cosine with the occlusal direction) are not asked."""


@dataclass(frozen=True, slots=True)
class Field:
    """Points that face the other jaw, in their own record's frame. gap_mm: (k,), smooth where near; sd_mm: (k,) what single
    points' scatter leaves in it; scatter_mm: of single points. toward: (k, 3) unit, into which the point moves away from
    the other jaw. faces: (m, 3) triangles all of whose corners face it, by row of `points`."""

    points: Points
    normals: Points
    areas_mm2: Floats
    gap_mm: Floats
    sd_mm: Floats
    toward: Points
    scatter_mm: float
    faces: Faces


def field_of(
    own: Surface, other: Surface, T_other_own: Floats, occlusal: Floats, keep: Bools | None = None
) -> Field:
    """The field over `own`. occlusal (3,) unit in its frame, toward the other jaw; keep: (n,) the vertices to ask."""
    topology = own.topology
    asked = main_vertices(own) & (topology.vertex_normals @ occlusal > LEAST_TOWARD)
    chosen = np.flatnonzero(asked if keep is None else asked & keep)
    points, normals = topology.scan.vertices[chosen], topology.vertex_normals[chosen]
    met = distances_to(other, apply(T_other_own, points), turn(T_other_own, normals), REACH_MM)
    seen = np.flatnonzero(met.faces)
    points, normals, gap = points[seen], normals[seen], met.gap_mm[seen].copy()
    sd, scatter = np.full(len(seen), np.inf), float("nan")
    if len(seen):
        near = np.flatnonzero(gap < gap.min() + NEAR_MM)
        smooth = smoothed(points[near], normals[near], gap[near])
        gap[near], sd[near], scatter = smooth.value_mm, smooth.sd_mm, smooth.scatter_mm
    number = np.full(topology.scan.n_vertices, -1)
    number[chosen[seen]] = np.arange(len(seen))
    faces = number[topology.scan.faces]
    return Field(
        points=points,
        normals=normals,
        areas_mm2=topology.vertex_areas_mm2[chosen[seen]],
        gap_mm=gap,
        sd_mm=sd,
        toward=turn(inverse(T_other_own), met.toward[seen]),
        scatter_mm=scatter,
        faces=faces[(faces >= 0).all(axis=1)].astype(np.int32),
    )

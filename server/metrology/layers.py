"""Double layers: where a scan lies on top of itself, as at a seam that was stitched beside its place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bvh import BoxTree
from server.metrology.scan import Points
from server.metrology.topology import Topology

NEAR_MM = 0.05
FAR_MM = 0.80
SAME_FACING = 0.5
"""Cosine of the angle below which two facets count as facing the same way."""
MAX_SAMPLES = 60_000
PLACE_MM = 3.0


@dataclass(frozen=True, slots=True)
class DoubleLayer:
    """area_mm2: surface that has a second layer of the same facing 0.05-0.8 mm off; u95_mm2 from sampling and rims.

    gap_mm: median distance between the layers, 0 where there are none. places_mm: centres of the patches, largest first.
    """

    area_mm2: float
    u95_mm2: float
    gap_mm: float
    places_mm: tuple[tuple[float, float, float], ...]


def double_layer_of(topology: Topology, tree: BoxTree) -> DoubleLayer:
    """The doubled area of a scan. From each facet a ray goes along its normal, ahead and behind: the first surface it
    meets faces the other way where the scan bounds a body, and the same way only where it is doubled.

    The scan's facets must be wound alike (turned ones are the matter of another measure). Large scans are sampled,
    each facet by its area's chance. Not seen: layers closer than 0.05 mm, which noise produces too.
    """
    chosen = np.flatnonzero(~topology.is_sliver & ~topology.is_repeated)
    rng = np.random.default_rng(11)
    stride = max(1, -(-len(chosen) // MAX_SAMPLES))
    picked = chosen[rng.integers(stride) :: stride]
    if len(picked) == 0:
        return DoubleLayer(0.0, 0.0, 0.0, ())
    centre = topology.scan.vertices[topology.scan.faces[picked]].mean(axis=1)
    normal = topology.normals[picked]
    gap = np.minimum(_gap(topology, tree, centre, normal, 1.0), _gap(topology, tree, centre, normal, -1.0))
    is_double = np.isfinite(gap)
    share = topology.area_mm2 / max(float(topology.areas_mm2[picked].sum()), 1e-12)
    weights = topology.areas_mm2[picked] * share
    area = 0.5 * float(weights[is_double].sum())  # both layers were counted
    counted = 0.5 * float(np.sqrt((weights[is_double] ** 2).sum())) if stride > 1 else 0.0
    u95 = 1.96 * counted + 0.08 * area
    middle = float(np.median(gap[is_double])) if is_double.any() else 0.0
    return DoubleLayer(area, u95, middle, _places(centre[is_double], weights[is_double]))


def _gap(
    topology: Topology, tree: BoxTree, centre: Points, normal: Points, sign: float
) -> NDArray[np.float64]:
    """Distance to the first surface met ahead (sign 1) or behind (-1) where that faces the same way; else inf."""
    hits = tree.first_hits(centre, sign * normal, FAR_MM, NEAR_MM)
    met = hits.facets >= 0
    alike = np.zeros(len(centre), dtype=bool)
    alike[met] = np.einsum("ij,ij->i", topology.normals[hits.facets[met]], normal[met]) > SAME_FACING
    return np.where(alike, hits.distance_mm, np.inf)


def _places(points: Points, weights: NDArray[np.float64]) -> tuple[tuple[float, float, float], ...]:
    """Centres of the patches into which doubled facets fall when those within 3 mm are joined; at most five."""
    if len(points) == 0:
        return ()
    cells, label = np.unique(np.floor(points / PLACE_MM).astype(np.int64), axis=0, return_inverse=True)
    label = label.ravel()
    area = np.bincount(label, weights=weights, minlength=len(cells))
    centre = np.stack([np.bincount(label, weights=points[:, d] * weights) / area for d in range(3)], axis=1)
    taken: list[int] = []
    near = cKDTree(centre)
    hidden = np.zeros(len(cells), dtype=bool)
    for i in np.argsort(-area, kind="stable"):
        if not hidden[i] and len(taken) < 5:
            taken.append(int(i))
            hidden[near.query_ball_point(centre[i], 3.0 * PLACE_MM)] = True
    return tuple((float(c[0]), float(c[1]), float(c[2])) for c in centre[taken])

"""Double layers: where a scan lies on top of itself, as at a seam that was stitched beside its place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bvh import BoxTree, Hits
from server.metrology.scan import Points, facet_centres
from server.metrology.topology import Topology

NEAR_MM = 0.05
FAR_MM = 0.80
SAME_FACING = 0.5
"""Cosine of the angle below which two facets count as facing the same way."""
FIRST_SAMPLES, MAX_SAMPLES = 15_000, 60_000
"""Facets asked at first, and where any of those has a second layer. Of a jaw's 4 000 mm² the first ones leave 0.8 mm² unmet."""
PLACE_MM = 3.0
LARGE_SHELL = 0.1
"""A shell of at least this share of the largest one's area is a part of the record, not a patch over another."""
SMALL_OVERLAP = 0.25
"""Large shells that overlap over less than this share of the smaller are two things, not one scanned twice."""


@dataclass(frozen=True, slots=True)
class DoubleLayer:
    """area_mm2: surface that has a second layer of the same facing 0.05-0.8 mm off; u95_mm2 from sampling and rims.

    gap_mm: median distance between the layers, 0 where there are none. places_mm: centres of the patches, largest first.
    """

    area_mm2: float
    u95_mm2: float
    gap_mm: float
    places_mm: tuple[tuple[float, float, float], ...]


NO_DOUBLE = DoubleLayer(0.0, 0.0, 0.0, ())


def double_layer_of(
    topology: Topology, tree: BoxTree, leave_out: NDArray[np.bool_] | None = None
) -> DoubleLayer:
    """The doubled area of a scan. From each facet a ray goes along its normal, ahead and behind: the first surface it
    meets faces the other way where the scan bounds a body, and the same way only where it is doubled.

    The scan's facets must be wound alike (turned ones are the matter of another measure). Large scans are sampled,
    more densely once anything is found. leave_out: (m,) facets not to look at, as those of spikes. Not seen: layers closer than
    0.05 mm, which noise produces too; a part over another large shell of which it covers less than a quarter, as jaws do in a bite.
    """
    usable = ~topology.is_sliver & ~topology.is_repeated
    chosen = np.flatnonzero(usable if leave_out is None else usable & ~leave_out)
    found = NO_DOUBLE
    for most in (FIRST_SAMPLES, MAX_SAMPLES):
        stride = max(1, -(-len(chosen) // most))
        picked = chosen[np.random.default_rng(11).integers(stride) :: stride]
        found = _among(topology, tree, picked, is_sample=stride > 1)
        if stride == 1 or found.area_mm2 == 0.0:
            break
    return found


def _among(topology: Topology, tree: BoxTree, picked: NDArray[np.int64], *, is_sample: bool) -> DoubleLayer:
    """The doubled area of a scan, from some of its facets or from all."""
    if len(picked) == 0:
        return NO_DOUBLE
    centre = facet_centres(topology.scan.vertices, topology.scan.faces[picked])
    normal = topology.normals[picked]
    ahead, behind = (_second_layer(topology, tree, centre, normal, sign) for sign in (1.0, -1.0))
    gap = np.minimum(ahead.distance_mm, behind.distance_mm)
    met = np.where(ahead.distance_mm <= behind.distance_mm, ahead.facets, behind.facets)
    is_double = np.isfinite(gap) & ~_is_bite(topology, picked, met)
    share = topology.area_mm2 / max(float(topology.areas_mm2[picked].sum()), 1e-12)
    weights = topology.areas_mm2[picked] * share
    area = 0.5 * float(weights[is_double].sum())  # both layers were counted
    counted = 0.5 * float(np.sqrt((weights[is_double] ** 2).sum())) if is_sample else 0.0
    u95 = 1.96 * counted + 0.08 * area
    middle = float(np.median(gap[is_double])) if is_double.any() else 0.0
    return DoubleLayer(area, u95, middle, _places(centre[is_double], weights[is_double]))


def _second_layer(topology: Topology, tree: BoxTree, centre: Points, normal: Points, sign: float) -> Hits:
    """The first surface met ahead (sign 1) or behind (-1), where that faces the same way; elsewhere nothing."""
    hits = tree.first_hits(centre, sign * normal, FAR_MM, NEAR_MM)
    met = hits.facets >= 0
    alike = np.zeros(len(centre), dtype=bool)
    alike[met] = np.einsum("ij,ij->i", topology.normals[hits.facets[met]], normal[met]) > SAME_FACING
    return Hits(np.where(alike, hits.distance_mm, np.inf), np.where(alike, hits.facets, -1).astype(np.int32))


def _is_bite(topology: Topology, picked: NDArray[np.int64], met: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Where two large shells overlap over a small part of both, as the jaws of a bite do: that is no double layer."""
    shell, areas = topology.face_shell, topology.shell_areas_mm2
    own, other = shell[picked], np.where(met >= 0, shell[met], -1)
    is_large = areas >= LARGE_SHELL * areas[0]
    across = (met >= 0) & (own != other) & is_large[own] & is_large[other]
    bite = np.zeros(len(picked), dtype=bool)
    if not across.any():
        return bite
    sampled = topology.areas_mm2[picked]
    total = np.bincount(own, weights=sampled, minlength=len(areas))
    for a in np.unique(own[across]):
        for b in np.unique(other[across & (own == a)]):
            pair = across & (((own == a) & (other == b)) | ((own == b) & (other == a)))
            overlap = 0.5 * float(sampled[pair].sum())
            if overlap < SMALL_OVERLAP * min(total[a], total[b]):
                bite |= pair
    return bite


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

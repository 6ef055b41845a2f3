"""How a positive lies on the tissue it was taken of: signed distances at places spread evenly over it.

The border of a denture is rounded, so that what lies there stands off the tissue and says nothing of the fit: it is left out.
What scatters from point to point is no difference either: each place stands for the mean of a patch about it.

Not seen: soft tissue that moved while it was scanned, such as cheek or lip caught with it, shows as a difference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.registration.fit import meeting_of
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, inverse
from server.metrology.scan import Points
from server.metrology.topology import NO_TWIN

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SAMPLES = 20_000
REACH_MM = 3.0
BESIDE_MM, BENEATH_MM = 1.0, 1.0
RIM_MM = 1.2
"""So far from its border a positive is left out: borders are rounded by 0.5 to 1.5 mm, of which it holds half the bow; our
own proposal."""
PATCH_MM = 1.0
"""A difference is the mean within this of its place."""
FEWEST_IN_PATCH = 4


@dataclass(frozen=True, slots=True)
class Post:
    """A body left out of the comparison. T: (4, 4), seat at the origin, axis its z."""

    T: Floats
    reach_mm: float
    height_mm: float

    def holds(self, points: Points) -> Mask:
        """Whether points (n, 3) lie on it or close about it."""
        q = apply(inverse(self.T), points)
        beside = np.hypot(q[:, 0], q[:, 1]) < self.reach_mm + BESIDE_MM
        return np.asarray(beside & (q[:, 2] > -BENEATH_MM) & (q[:, 2] < self.height_mm + BESIDE_MM))


@dataclass(frozen=True, slots=True)
class Differences:
    """at: (n, 3) places of the positive in the tissue's frame; normals: (n, 3) of the tissue there; offset_mm: (n,) mean over
    the patch about each, + where the denture stands off the tissue, - where the tissue as scanned stands in the denture.
    compared_ratio: share of the positive, bodies and rim left out, that met the tissue within REACH_MM. area_mm2: that each
    place stands for.
    """

    at: Points
    normals: Points
    offset_mm: Floats
    compared_ratio: float
    area_mm2: float


def differences_of(
    positive: Surface, tissue: Surface, T_tissue_positive: Floats, posts: tuple[Post, ...] = ()
) -> Differences:
    """The positive against the tissue as one lies on the other. posts: in the tissue's frame, left out."""
    probe = positive.samples(SAMPLES)
    meeting = meeting_of(probe, tissue, T_tissue_positive, REACH_MM)
    counts = ~_is_rim(positive, probe.points)
    for post in posts:
        counts &= ~post.holds(meeting.at)
    used = counts & meeting.is_met
    at, normals = meeting.at[used], meeting.normals[used]
    mean, n = _over_patches(at, meeting.offset_mm[used])
    full = n >= FEWEST_IN_PATCH
    return Differences(
        at=at[full],
        normals=normals[full],
        offset_mm=mean[full],
        compared_ratio=float(used.sum() / max(int(counts.sum()), 1)),
        area_mm2=probe.area_mm2,
    )


def _is_rim(positive: Surface, points: Points) -> Mask:
    """(n,) whether points lie within RIM_MM of the positive's border."""
    scan = positive.topology.scan
    border = np.flatnonzero(positive.topology.twin == NO_TWIN)
    if len(border) == 0:
        return np.zeros(len(points), dtype=bool)
    one, other = scan.faces[border // 3, border % 3], scan.faces[border // 3, (border % 3 + 1) % 3]
    edges = 0.5 * (scan.vertices[one] + scan.vertices[other])
    near, _ = cKDTree(edges).query(points, distance_upper_bound=RIM_MM)
    return np.asarray(np.isfinite(near))


def _over_patches(at: Points, offset_mm: Floats) -> tuple[Floats, Floats]:
    """Of each place (n, 3) the mean offset within PATCH_MM of it, and of how many."""
    pairs = cKDTree(at).query_pairs(PATCH_MM, output_type="ndarray")
    one, other, n = pairs[:, 0], pairs[:, 1], len(at)
    count = 1.0 + np.bincount(one, minlength=n) + np.bincount(other, minlength=n)
    total = offset_mm + np.bincount(one, weights=offset_mm[other], minlength=n)
    total = total + np.bincount(other, weights=offset_mm[one], minlength=n)
    return np.asarray(total / count), np.asarray(count)

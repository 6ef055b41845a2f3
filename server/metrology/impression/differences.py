"""How a positive lies on the tissue it was taken of: signed distances at places spread evenly over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.registration.fit import meeting_of
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, inverse
from server.metrology.scan import Points

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SAMPLES = 20_000
REACH_MM = 3.0
BESIDE_MM, BENEATH_MM = 1.0, 1.0


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
    """at: (n, 3) places of the positive in the tissue's frame; normals: (n, 3) of the tissue there; offset_mm: (n,) + where
    the denture stands off the tissue, - where the tissue as scanned stands in the denture. compared_ratio: share of the
    positive, bodies left out, that met the tissue within REACH_MM. area_mm2: that each place stands for.
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
    counts = np.ones(len(meeting.at), dtype=bool)
    for post in posts:
        counts &= ~post.holds(meeting.at)
    used = counts & meeting.is_met
    return Differences(
        at=meeting.at[used],
        normals=meeting.normals[used],
        offset_mm=meeting.offset_mm[used],
        compared_ratio=float(used.sum() / max(int(counts.sum()), 1)),
        area_mm2=probe.area_mm2,
    )

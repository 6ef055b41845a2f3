"""What a field of signed distances says of a stretch of the bite: the least gap, where it is, and what is in contact.

The least gap is the distance at or within which LEAST_MM2 of the surface lies: a single point never decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from server.metrology.scan import Points

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_MM2 = 0.5
CONTACT_MM = 0.1
"""Surfaces within this of each other count as touching. Our own proposal: 0.1 to 0.4 mm have been tried in scans, none is
an accepted standard (Rovira-Lastra; DeLong 2007)."""
TOGETHER_MM = 0.8
"""Points nearer than this to each other belong to one contact."""


@dataclass(frozen=True, slots=True)
class Closest:
    """gap_mm: signed; index: of the point whose value it is."""

    gap_mm: float
    index: int


@dataclass(frozen=True, slots=True)
class Contact:
    """One place where the jaws touch or press: its area, its point nearest the middle (3,), and the least gap in it."""

    area_mm2: float
    middle: Floats
    gap_mm: float
    index: int


def closest(gap_mm: Floats, area_mm2: Floats, among: Bools) -> Closest | None:
    """The least gap among some points; None where they are less than LEAST_MM2 together.

    gap_mm, area_mm2: (n,) of every point; among: (n,) those that are asked about, all with a finite gap."""
    places = np.flatnonzero(among)
    order = places[np.argsort(gap_mm[places], kind="stable")]
    reached = np.flatnonzero(np.cumsum(area_mm2[order]) >= LEAST_MM2)
    if not len(reached):
        return None
    index = int(order[reached[0]])
    return Closest(float(gap_mm[index]), index)


def contacts(points: Points, gap_mm: Floats, area_mm2: Floats, among: Bools) -> tuple[Contact, ...]:
    """The places of at least LEAST_MM2 at which the gap is CONTACT_MM or less, the largest first."""
    own = np.flatnonzero(among & (gap_mm <= CONTACT_MM))
    if not len(own):
        return ()
    pairs = cKDTree(points[own]).query_pairs(TOGETHER_MM, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(own), len(own)))
    count, label = connected_components(graph, directed=False)
    areas = np.bincount(label, weights=area_mm2[own], minlength=count)
    made = []
    for k in np.flatnonzero(areas >= LEAST_MM2):
        members = own[label == k]
        deepest = int(members[np.argmin(gap_mm[members])])
        middle = area_mm2[members] @ points[members] / area_mm2[members].sum()
        inmost = points[members[np.argmin(np.linalg.norm(points[members] - middle, axis=1))]]
        made.append(Contact(float(areas[k]), inmost, float(gap_mm[deepest]), deepest))
    return tuple(sorted(made, key=lambda c: -c.area_mm2))

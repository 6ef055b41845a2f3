"""Finds every scan body of given kinds in a scan, without a start, and fits it.

Way: axes by voting; on each axis first poses of each kind; a coarse fit on thinned points; the kind that explains most of
the surface wins the place, the best place first, and what one body explains no other may; then the fit to all points,
what was caught of the body, whether it can be believed at all, and how far its pose can be trusted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bodies.candidates import Candidate, KindFit, Start, candidate_from, candidates_in
from server.metrology.bodies.cells import Cells, thinned
from server.metrology.bodies.coverage import Coverage, coverage_of
from server.metrology.bodies.fitting import BodyFit, refine
from server.metrology.bodies.placing import is_clock_sure
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.bodies.trust import Trust, Weighed, weighed
from server.metrology.rigid import Array, angle_between_deg, apply, inverse
from server.metrology.scan import Points, Scan

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

LEAST_CELLS = 30
ABOUT_MM = 1.5
OVERLAP_MM, MOST_OVERLAP_SHARE = 0.1, 0.25
"""Bodies of which so much of one lies in the other, or on it, stand in one place."""
SCATTER_PER_COVERAGE_MM, LEAST_COVERAGE = 0.2, 0.15
OVERLAP_EVERY = 5
HULL_MM = 0.2
RING_MM = (0.3, 2.0)
LEAST_RING_MM2 = 3.0
LEAST_RISE = 0.2
SAID_MM, SAID_DEG = 2.5, 25.0
"""A fit that ends farther than this from the pose said by hand is of something else."""


@dataclass(frozen=True, slots=True)
class Surface:
    """A scan to be searched, wound outward, mm. points, normals: (n, 3) of the vertices; areas_mm2: (n,); faces: (m, 3)."""

    points: Points
    normals: Points
    areas_mm2: Floats
    faces: NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class FoundBody:
    """One body. T_scan_body: (4, 4), seat at its origin, axis its z, clocking its x, in the scan's frame, mm.

    kinds: how all kinds asked for fit at its place, the best first; body: the kind fitted. is_clock_sure: whether any
    other turn about the axis would explain clearly less. start: which of the poses said by hand it was fitted from; None
    where it was found without.
    """

    body: str
    T_scan_body: Array
    fit: BodyFit
    trust: Trust
    coverage: Coverage
    kinds: tuple[KindFit, ...]
    is_clock_sure: bool
    start: int | None = None

    @property
    def seat_mm(self) -> Floats:
        return np.asarray(self.T_scan_body[:3, 3])

    @property
    def axis(self) -> Floats:
        return np.asarray(self.T_scan_body[:3, 2])

    @property
    def clock(self) -> Floats:
        return np.asarray(self.T_scan_body[:3, 0])


@dataclass(frozen=True, slots=True)
class _Settled:
    candidate: Candidate
    body: ReferenceBody
    fit: BodyFit
    coverage: Coverage
    start: int | None = None


def find_bodies(
    surface: Surface, kinds: Sequence[ReferenceBody], expected: int, starts: Sequence[Start] = ()
) -> list[FoundBody]:
    """All bodies of the kinds in the surface, the one that explains most first; an empty list where there is none.

    expected: about how many there may be; more are found as well. starts: poses said by hand. Where none was found without,
    the body is fitted from there, and comes after those found.
    """
    cells = thinned(surface.points, surface.normals, surface.areas_mm2)
    if len(cells.points) < LEAST_CELLS or not kinds:
        return []
    near = cKDTree(cells.points)
    settled = [
        s
        for c in candidates_in(cells, near, kinds, expected)
        if (s := _settled(surface, kinds[c.kind], c)) is not None and _is_credible(s)
    ]
    held = [_held(cells, s) for s in settled]
    owners = np.sum(held, axis=0, dtype=np.int64) if held else np.zeros(len(cells.points), dtype=np.int64)
    standing = [s for s, own in zip(settled, held, strict=True) if _rises(cells, s, owners > own)]
    apart = _apart([*standing, *_by_hand(surface, cells, near, kinds, starts)])
    if not apart:
        return []
    final = weighed([s.fit for s in apart])
    return [_found(cells, s, one) for s, one in zip(apart, final, strict=True)]


def _by_hand(
    surface: Surface, cells: Cells, near: cKDTree, kinds: Sequence[ReferenceBody], starts: Sequence[Start]
) -> Iterator[_Settled]:
    """The bodies fitted from where they were said to stand, where that came to anything near."""
    for number, start in enumerate(starts):
        candidate = candidate_from(cells, near, kinds, start)
        settled = _settled(surface, kinds[start.kind], candidate) if candidate else None
        if settled is not None and _is_near(settled.fit.T_scan_body, start.T_scan_body):
            yield replace(settled, start=number)


def _is_near(T: Array, said: Array) -> bool:
    shift = float(np.linalg.norm(T[:3, 3] - said[:3, 3]))
    return shift < SAID_MM and angle_between_deg(T[:3, 2], said[:3, 2]) < SAID_DEG


def _settled(surface: Surface, body: ReferenceBody, candidate: Candidate) -> _Settled | None:
    """The fit to all points about the body, and what was caught of it."""
    T = candidate.best.T_scan_body
    normals, facets = _about(surface, body, T)
    fit = refine(body, T, facets.vertices, normals, facets.faces)
    return None if fit is None else _Settled(candidate, body, fit, coverage_of(body, fit.T_scan_body, facets))


def _about(surface: Surface, body: ReferenceBody, T: Array) -> tuple[Points, Scan]:
    """Normals of the vertices near the body's hull, and the facets between them as a scan."""
    reach, height = body.reach_mm + ABOUT_MM, body.height_mm + ABOUT_MM
    number = _numbers_within(surface.points, inverse(T), reach, -ABOUT_MM, height)
    inside = np.flatnonzero(number >= 0)
    faces = _facets_within(surface.faces, number)
    return surface.normals[inside], Scan(surface.points[inside], faces)


@njit(cache=True, nogil=True)
def _numbers_within(points: Points, back: Array, reach: float, low: float, high: float) -> NDArray[np.int32]:
    """Points in a cylinder numbered in order, -1 for those outside."""
    number = np.full(len(points), -1, dtype=np.int32)
    n = 0
    for i in range(len(points)):
        p = points[i]
        z = back[2, 0] * p[0] + back[2, 1] * p[1] + back[2, 2] * p[2] + back[2, 3]
        if low < z < high:
            x = back[0, 0] * p[0] + back[0, 1] * p[1] + back[0, 2] * p[2] + back[0, 3]
            y = back[1, 0] * p[0] + back[1, 1] * p[1] + back[1, 2] * p[2] + back[1, 3]
            if x * x + y * y < reach * reach:
                number[i] = n
                n += 1
    return number


@njit(cache=True, nogil=True)
def _facets_within(faces: NDArray[np.int32], number: NDArray[np.int32]) -> NDArray[np.int32]:
    """The facets all of whose corners are numbered, by those numbers."""
    kept = np.empty((len(faces), 3), dtype=np.int32)
    n = 0
    for i in range(len(faces)):
        a, b, c = number[faces[i, 0]], number[faces[i, 1]], number[faces[i, 2]]
        if a >= 0 and b >= 0 and c >= 0:
            kept[n, 0], kept[n, 1], kept[n, 2] = a, b, c
            n += 1
    return kept[:n].copy()


def _is_credible(s: _Settled) -> bool:
    """The less of a body was caught, the better that must fit: much of a ridge or a tooth fits some body loosely."""
    caught = s.coverage.ratio if np.isfinite(s.coverage.ratio) else 0.0
    return s.fit.rms_mm < SCATTER_PER_COVERAGE_MM * (caught - LEAST_COVERAGE)


def _held(cells: Cells, s: _Settled) -> Flags:
    """Cells that the body explains or that lie within its hull, such as the disc that closes a mesh at its seat."""
    q = apply(inverse(s.fit.T_scan_body), cells.points)
    beside = np.hypot(q[:, 0], q[:, 1]) < s.body.reach_mm + HULL_MM
    held = beside & (q[:, 2] > -HULL_MM) & (q[:, 2] < s.body.height_mm + HULL_MM)
    held[s.candidate.owned] = True
    return np.asarray(held)


def _rises(cells: Cells, s: _Settled, elses: Flags) -> bool:
    """Whether the surface about the seat faces the way the body points, where there is any: a body stands on tissue, it
    does not lie along a ridge. elses: (n,) whether a cell is another body's, which does not count."""
    q = apply(inverse(s.fit.T_scan_body), cells.points)
    r = np.hypot(q[:, 0], q[:, 1]) - s.body.foot_mm
    ring = np.flatnonzero((r > RING_MM[0]) & (r < RING_MM[1]) & (np.abs(q[:, 2]) < RING_MM[1]) & ~elses)
    area = cells.areas_mm2[ring]
    if area.sum() < LEAST_RING_MM2:
        return True
    return float(area @ (cells.normals[ring] @ s.fit.T_scan_body[:3, 2])) > LEAST_RISE * float(area.sum())


def _apart(settled: list[_Settled]) -> list[_Settled]:
    """Two bodies cannot stand in one place: of such the one that explains more stays."""
    kept: list[_Settled] = []
    for one in settled:
        if not any(_overlap(one, other) or _overlap(other, one) for other in kept):
            kept.append(one)
    return kept


def _overlap(one: _Settled, other: _Settled) -> bool:
    """Whether much of one body's surface lies in the other body, or on it."""
    T = inverse(other.fit.T_scan_body) @ one.fit.T_scan_body
    if float(np.linalg.norm(T[:3, 3])) > one.body.girth_mm + other.body.girth_mm:
        return False
    points = apply(T, one.body.points[::OVERLAP_EVERY])
    nearest = other.body.tree.nearest(points, other.body.girth_mm)
    met = nearest.facets >= 0
    gap = points[met] - nearest.points[met]
    outside = np.einsum("ij,ij->i", gap, other.body.facet_normals[nearest.facets[met]]) > 0.0
    within = int(np.count_nonzero(~outside | (nearest.distance_mm[met] < OVERLAP_MM)))
    return within > MOST_OVERLAP_SHARE * len(points)


def _found(cells: Cells, s: _Settled, final: Weighed) -> FoundBody:
    return FoundBody(
        body=s.body.id,
        T_scan_body=final.T_scan_body,
        fit=s.fit,
        trust=final.trust,
        coverage=s.coverage,
        kinds=s.candidate.kinds,
        is_clock_sure=is_clock_sure(cells, s.body, final.T_scan_body),
        start=s.start,
    )

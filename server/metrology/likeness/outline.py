"""The outline of a scan: of how many parts it is, whether it closes upon itself, and whether it is a band or a bow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.borders import border_loops
from server.metrology.topology import Topology

Floats = NDArray[np.float64]

PART_RATIO = 0.2
"""A shell of at least this share of the largest is a part of the record, such as the other jaw."""
COPY_SLACK_RATIO = 0.05
"""Copies of one thing have areas that differ by no more than this, though each was meshed or cut on its own."""
BASE_TRIES, BASE_FACETS = 48, 8_000
BASE_MM, BASE_COS = 0.05, 0.998
EDGE_QUANTILES = (0.01, 0.99)


@dataclass(frozen=True, slots=True)
class Outline:
    """n_parts: shells that count as parts of the record; part_span_mm: the largest span of one; n_copies: parts of one and
    the same area. opening_ratios: by part, the largest first, what its largest border spans over its area: about 0 for a body
    closed all round, 0.5 to 1.2 for a scan from one side. base_ratio: share of the area that lies in one plane.

    length_mm, breadth_mm: seen from the side it faces. faces_itself_cos: cosine between the directions in which the two
    largest parts face, -1 for two jaws seen from their own open sides; 1 where there is one part. facing_ratio: length of the
    sum of all facets' vectors over their area.
    """

    n_parts: int
    part_span_mm: float
    n_copies: int
    opening_ratios: tuple[float, ...]
    base_ratio: float
    length_mm: float
    breadth_mm: float
    faces_itself_cos: float
    facing_ratio: float

    @property
    def opening_ratio(self) -> float:
        """Of the part that is open the most."""
        return max(self.opening_ratios)


def outline_of(topology: Topology) -> Outline:
    """The outline of a scan, facets wound with the side out that faced the scanner. Linear in facets."""
    areas = topology.shell_areas_mm2
    parts = np.flatnonzero(areas >= PART_RATIO * areas[0])
    vectors = topology.normals * topology.areas_mm2[:, None]
    mine = np.isin(topology.face_shell, parts)
    length, breadth = _seen_from_front(topology, mine, vectors[mine].sum(axis=0))
    openings = dict.fromkeys(parts.tolist(), 0.0)
    for loop in border_loops(topology):
        if loop.shell in openings:
            openings[loop.shell] = max(openings[loop.shell], float(loop.area_mm2 / areas[loop.shell]))
    return Outline(
        n_parts=len(parts),
        part_span_mm=max(_span(topology, int(part)) for part in parts[:12]),
        n_copies=_most_alike(areas[parts]),
        opening_ratios=tuple(openings.values()),
        base_ratio=_base_ratio(topology),
        length_mm=length,
        breadth_mm=breadth,
        faces_itself_cos=_cosine(*(vectors[topology.face_shell == p].sum(axis=0) for p in parts[:2]))
        if len(parts) > 1
        else 1.0,
        facing_ratio=float(np.linalg.norm(vectors[mine].sum(axis=0)) / max(areas[parts].sum(), 1e-9)),
    )


def _seen_from_front(topology: Topology, mine: NDArray[np.bool_], facing: Floats) -> tuple[float, float]:
    """Length and breadth as seen along a direction: of the longest and across it."""
    points = topology.scan.vertices[_used(topology, mine)]
    points = points - points.mean(axis=0)
    size = float(np.linalg.norm(facing))
    if size > 0.0:
        front = facing / size
        points = points - (points @ front)[:, None] * front
    axes = np.linalg.eigh(points.T @ points)[1]
    low, high = np.quantile(points @ axes[:, 1:], EDGE_QUANTILES, axis=0)
    breadth, length = sorted(float(x) for x in high - low)
    return length, breadth


def _span(topology: Topology, part: int) -> float:
    points = topology.scan.vertices[_used(topology, topology.face_shell == part)]
    return float(np.linalg.norm(np.ptp(points, axis=0)))


def _used(topology: Topology, facets: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(n,) vertices of some facets."""
    used = np.zeros(len(topology.scan.vertices), dtype=bool)
    used[topology.scan.faces[facets].ravel()] = True
    return used


def _most_alike(areas_mm2: Floats) -> int:
    """How many parts have the area of the one that most others are like."""
    ratio = areas_mm2[:, None] / areas_mm2[None, :]
    return int((np.abs(np.log(ratio)) < COPY_SLACK_RATIO).sum(axis=1).max())


def _cosine(a: Floats, b: Floats) -> float:
    size = float(np.linalg.norm(a) * np.linalg.norm(b))
    return float(a @ b) / size if size > 0.0 else 1.0


def _base_ratio(topology: Topology) -> float:
    """The largest share of the area in one plane, of the planes of facets spread over the surface."""
    areas = topology.areas_mm2
    total = float(areas.sum())
    if total <= 0.0:
        return 0.0
    steps = (np.arange(BASE_TRIES) + 0.5) / BASE_TRIES * total
    tried = np.clip(np.searchsorted(np.cumsum(areas), steps), 0, len(areas) - 1)
    few = np.arange(0, len(areas), max(1, len(areas) // BASE_FACETS))
    corner = topology.scan.vertices[topology.scan.faces[few, 0]]
    normals, weights = topology.normals[few], areas[few]
    best = 0.0
    for facet in tried:
        n = topology.normals[facet]
        off = np.abs((corner - topology.scan.vertices[topology.scan.faces[facet, 0]]) @ n)
        best = max(best, float(weights[(off < BASE_MM) & (normals @ n > BASE_COS)].sum()))
    return best / max(float(weights.sum()), 1e-9)

"""The two sides of a denture scanned all round: the one that lies on the tissue, and the outer one with the teeth.

A denture is a shell of a few millimetres, so nearly every place sees the sky on one side of it only. Each piece of the
surface pulls toward the side whose sky it sees; the line between the sides is the cut through the graph of facets that
is cheapest, and it is cheap where the surface turns outward sharply, as the border of a denture does (a minimum cut: Ford &
Fulkerson 1956; Greig, Porteous & Seheult 1989). Within the rounding of the border the line then goes to where the surface
has turned half way from one side to the other. What lies on tissue or jaw, where such a scan is there, pulls as well.
The impression side is the smaller one: it lacks the teeth, and the outer side lies around it.

Not seen: a border ground so thick and round that no line stands out; `crease_ratio` says how much of the line does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, maximum_flow
from scipy.spatial import cKDTree

from server.metrology.bvh import BoxTree
from server.metrology.impression.facets import FacetGraph, facet_graph
from server.metrology.impression.sky import sky_of
from server.metrology.topology import Topology

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

SHARP_PER_MM = 1.0
"""A turn this fast halves the price of a cut."""
PULL_PER_MM = 0.2
"""What an area's pull weighs against the length of the line, 1/mm."""
KNOWN_PULL = 4.0
"""How much more a piece pulls that is known to lie on the tissue, or not to."""
LEAST_PIECE_MM2 = 0.25
ROUNDS = 2
UNITS_PER_MM = 1000.0
BAND_MM, CORE_MM = 0.7, (0.8, 2.2)
"""The line is moved within BAND_MM; what each side looks like beside it is read this far from it."""
CORE_FACETS = 16
CREASE_PER_MM = 0.5
SURE_CREASE_RATIO = 0.6
SURE_SHARE = (0.15, 0.46)
"""Of the whole surface; on phantoms the impression side has 0.27-0.38. Our own proposal."""


@dataclass(frozen=True, slots=True)
class Sides:
    """is_impression: (m,) by facet. opens_along: (3,) unit, the way the impression side looks. line_mm: length of the line
    between the sides; crease_ratio: share of it at which the surface turns outward sharply. is_sure: the line stands out
    and the sides have the sizes of a denture's.
    """

    is_impression: Mask
    opens_along: Floats
    impression_mm2: float
    outer_mm2: float
    line_mm: float
    crease_ratio: float

    @property
    def is_sure(self) -> bool:
        share = self.impression_mm2 / max(self.impression_mm2 + self.outer_mm2, 1e-9)
        return self.crease_ratio >= SURE_CREASE_RATIO and SURE_SHARE[0] < share < SURE_SHARE[1]


def sides_of(topology: Topology, tree: BoxTree, known: Floats | None = None) -> Sides:
    """The sides of a surface wound outward, closed or nearly so.

    known: (m,) by facet, + where it is known to lie on the tissue, - where it is known not to, 0 where nothing is known;
    then the impression side is the one that this says, else the smaller one. Raises ValueError where the surface cannot
    be divided.
    """
    graph = facet_graph(topology)
    pull = _Pull(graph, tree, known)
    along = _flattest(graph)
    for _ in range(ROUNDS):
        first = _cut(graph, pull.along(along))
        facing = (topology.normals * topology.areas_mm2[:, None])[first].sum(axis=0)
        if not first.any() or first.all() or np.linalg.norm(facing) < 1e-9:
            raise ValueError("the surface has no two sides")
        along = facing / np.linalg.norm(facing)
    first = _halfway(graph, first)
    areas = topology.areas_mm2
    says = float((known * areas * np.where(first, 1.0, -1.0)).sum()) if known is not None else 0.0
    is_first = says > 0.0 if says != 0.0 else areas[first].sum() < areas[~first].sum()
    return _sides(topology, graph, first if is_first else ~first)


def _sides(topology: Topology, graph: FacetGraph, is_impression: Mask) -> Sides:
    areas = topology.areas_mm2
    facing = (topology.normals * areas[:, None])[is_impression].sum(axis=0)
    line = np.flatnonzero(is_impression[graph.one] != is_impression[graph.other])
    length = graph.length_mm[line]
    around = np.zeros(len(areas))
    np.maximum.at(around, graph.one, graph.turn_per_mm)
    np.maximum.at(around, graph.other, graph.turn_per_mm)
    sharp = np.maximum(around[graph.one[line]], around[graph.other[line]]) > CREASE_PER_MM
    return Sides(
        is_impression=is_impression,
        opens_along=facing / max(float(np.linalg.norm(facing)), 1e-12),
        impression_mm2=float(areas[is_impression].sum()),
        outer_mm2=float(areas[~is_impression].sum()),
        line_mm=float(length.sum()),
        crease_ratio=float(length[sharp].sum() / max(float(length.sum()), 1e-9)),
    )


def _flattest(graph: FacetGraph) -> Floats:
    """The direction in which the surface extends least."""
    middle = np.average(graph.centres, axis=0, weights=graph.areas_mm2)
    return np.asarray(np.linalg.eigh(np.cov((graph.centres - middle).T, aweights=graph.areas_mm2))[1][:, 0])


class _Pull:
    """By how much each piece pulls to one side or the other, mm²."""

    def __init__(self, graph: FacetGraph, tree: BoxTree, known: Floats | None) -> None:
        piece, areas = graph.pieces, graph.areas_mm2
        self.n = int(piece.max()) + 1
        self.areas = np.bincount(piece, weights=areas, minlength=self.n)
        self.large = np.flatnonzero(self.areas > LEAST_PIECE_MM2)
        normals = _summed(graph.normals * areas[:, None], piece, self.n)
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
        at = graph.centres[_middle_facets(graph, piece, self.n)]
        self.sky = sky_of(tree, at[self.large], normals[self.large])
        self.known = (
            None
            if known is None
            else KNOWN_PULL * np.bincount(piece, weights=known * areas, minlength=self.n)
        )

    def along(self, direction: Floats) -> Floats:
        """(n,) toward the side that opens along a direction."""
        pull = np.zeros(self.n)
        pull[self.large] = (self.sky.middle @ direction) * self.areas[self.large]
        return pull if self.known is None else pull + self.known


def _summed(rows: Floats, place: Ints, n: int) -> Floats:
    return np.stack([np.bincount(place, weights=column, minlength=n) for column in rows.T], axis=1)


def _middle_facets(graph: FacetGraph, piece: Ints, n: int) -> Ints:
    """(n,) the facet of each piece nearest to its middle."""
    total = np.maximum(np.bincount(piece, weights=graph.areas_mm2, minlength=n), 1e-12)
    middle = _summed(graph.centres * graph.areas_mm2[:, None], piece, n) / total[:, None]
    return np.asarray(_nearest_of_each(((graph.centres - middle[piece]) ** 2).sum(axis=1), piece, n))


@njit(cache=True, nogil=True)
def _nearest_of_each(off: Floats, piece: Ints, n: int) -> Ints:
    """(n,) where the least of `off` (m,) stands in each piece; the first of several."""
    best = np.full(n, -1, dtype=np.int64)
    for i in range(len(off)):
        k = piece[i]
        if best[k] < 0 or off[i] < off[best[k]]:
            best[k] = i
    return best


def _cut(graph: FacetGraph, pull: Floats) -> Mask:
    """(m,) the facets on the side toward which pulls are positive, by the cheapest cut."""
    piece, n = graph.pieces, len(pull)
    price = graph.length_mm / (1.0 + (np.maximum(graph.turn_per_mm, 0.0) / SHARP_PER_MM) ** 2)
    a, b = piece[graph.one], piece[graph.other]
    apart = a != b
    a, b, price = a[apart], b[apart], price[apart]
    to, against = np.flatnonzero(pull > 0.0), np.flatnonzero(pull < 0.0)
    source, sink = n, n + 1
    rows = np.concatenate([a, b, np.full(len(to), source), against])
    columns = np.concatenate([b, a, to, np.full(len(against), sink)])
    worth = np.concatenate([price, price, PULL_PER_MM * pull[to], -PULL_PER_MM * pull[against]])
    units = np.maximum(worth * UNITS_PER_MM, 1.0).astype(np.int32)
    capacity = csr_array(coo_array((units, (rows, columns)), shape=(n + 2, n + 2)))
    left = csr_array(capacity - maximum_flow(capacity, source, sink).flow)
    left.data[left.data < 0] = 0
    left.eliminate_zeros()
    reached = np.zeros(n + 2, dtype=bool)
    reached[breadth_first_order(left, source, return_predecessors=False)] = True
    return np.asarray(reached[piece])


def _halfway(graph: FacetGraph, first: Mask) -> Mask:
    """The sides with their line where the surface has turned half way from one to the other."""
    line = np.flatnonzero(first[graph.one] != first[graph.other])
    if len(line) == 0:
        return first
    at = 0.5 * (graph.centres[graph.one[line]] + graph.centres[graph.other[line]])
    off, _ = cKDTree(at).query(graph.centres, distance_upper_bound=CORE_MM[1])
    band = np.flatnonzero(off < BAND_MM)
    looks = []
    for side in (first, ~first):
        core = np.flatnonzero(side & (off > CORE_MM[0]) & np.isfinite(off))
        if len(core) < CORE_FACETS:
            return first
        _, near = cKDTree(graph.centres[core]).query(graph.centres[band], k=CORE_FACETS)
        mean = np.einsum("nkd,nk->nd", graph.normals[core[near]], graph.areas_mm2[core[near]])
        looks.append(mean / np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-12))
    moved = first.copy()
    moved[band] = np.einsum("ij,ij->i", graph.normals[band], looks[0] - looks[1]) > 0.0
    return _whole(graph, moved, band)


def _whole(graph: FacetGraph, first: Mask, band: Ints) -> Mask:
    """The sides without specks of one in the other along the line."""
    part = graph.components(first[graph.one] == first[graph.other])
    areas = np.bincount(part, weights=graph.areas_mm2)
    in_band = np.bincount(part[band], weights=graph.areas_mm2[band], minlength=len(areas))
    specks = in_band > 0.999 * areas
    largest = [
        np.argmax(np.where(np.bincount(part[side], minlength=len(areas)) > 0, areas, -1.0))
        for side in (first, ~first)
    ]
    specks[largest] = False
    return np.asarray(first ^ specks[part])

"""Where on a scanned surface a fault is put."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.scanner import SOFT, Draft
from seed_data.phantoms.sites import body_points
from seed_data.phantoms.solids import Placed
from seed_data.phantoms.surface import border_edges, edges_of, pieces

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

FLAT_COSINE = 0.7


def inner_place(rng: Dice, draft: Draft, *, margin_mm: float) -> Floats:
    """A vertex of the largest piece, off borders and bodies by the margin, where the surface is rather even.

    Raises LookupError where there is no such place.
    """
    _, label = pieces(len(draft.vertices_mm), edges_of(draft.faces))
    usable = (label == np.bincount(label).argmax()) & (draft.label == SOFT) & np.isfinite(draft.true_mm[:, 0])
    border = np.unique(border_edges(draft.faces))
    taboo = np.concatenate([draft.vertices_mm[border], draft.vertices_mm[draft.label != SOFT]])
    candidates = rng.permutation(np.flatnonzero(usable))[:600]
    if len(taboo):
        far = cKDTree(taboo).query(draft.vertices_mm[candidates])[0] > margin_mm
        candidates = candidates[far]
    if len(candidates) == 0:
        raise LookupError(f"{draft.name} has no place {margin_mm:.1f} mm off its border and bodies")
    evenness = [_evenness(draft, int(k), margin_mm) for k in candidates[:40]]
    return np.asarray(draft.vertices_mm[candidates[int(np.argmax(evenness))]], dtype=np.float64)


def _evenness(draft: Draft, index: int, reach_mm: float) -> float:
    """Length of the mean normal around a vertex: 1 on a plane."""
    near = ((draft.vertices_mm - draft.vertices_mm[index]) ** 2).sum(axis=1) < min(reach_mm, 5.0) ** 2
    return float(np.linalg.norm(_normals(draft)[near].mean(axis=0)))


_LAST: list[tuple[int, Floats]] = []


def _normals(draft: Draft) -> Floats:
    if not _LAST or _LAST[0][0] != id(draft):
        _LAST[:] = [(id(draft), draft.normals)]
    return _LAST[0][1]


def disc(draft: Draft, centre_mm: Floats, radius_mm: float) -> Flags:
    """The vertices within a radius along the surface, so that nothing on its other side is meant."""
    near = np.flatnonzero(((draft.vertices_mm - centre_mm) ** 2).sum(axis=1) < (radius_mm + 0.5) ** 2)
    local = np.full(len(draft.vertices_mm), -1)
    local[near] = np.arange(len(near))
    edges = local[edges_of(draft.faces)]
    edges = edges[(edges >= 0).all(axis=1)]
    length = np.linalg.norm(
        draft.vertices_mm[near[edges[:, 0]]] - draft.vertices_mm[near[edges[:, 1]]], axis=1
    )
    graph = sparse.coo_matrix((length, (edges[:, 0], edges[:, 1])), shape=(len(near), len(near))).tocsr()
    start = int(((draft.vertices_mm[near] - centre_mm) ** 2).sum(axis=1).argmin())
    way = dijkstra(graph, directed=False, indices=start)
    straight = np.linalg.norm(draft.vertices_mm[near] - centre_mm, axis=1)
    own = np.zeros(len(draft.vertices_mm), dtype=bool)
    own[near[np.isfinite(way) & (straight <= radius_mm)]] = True
    return own


def near_body(rng: Dice, draft: Draft, placed: Placed, *, distance_mm: float) -> Floats:
    """A tissue vertex about that far from a body's surface. Raises LookupError where there is none."""
    soft = np.flatnonzero(draft.label == SOFT)
    off, _ = cKDTree(body_points(placed)).query(
        draft.vertices_mm[soft], distance_upper_bound=distance_mm + 1.0
    )
    ring = soft[np.abs(off - distance_mm) < 0.25]
    if len(ring) == 0:
        raise LookupError("no tissue lies so near to this body: choose another seed")
    return np.asarray(draft.vertices_mm[int(ring[int(rng.integers(len(ring)))])], dtype=np.float64)

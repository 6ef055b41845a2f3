"""Small facts about triangle meshes that scanning needs: normals, borders, neighbours, pieces."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


def face_normals(vertices: Floats, faces: Ints) -> Floats:
    """Normals of length twice the facet's area, (m, 3)."""
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    return np.asarray(np.cross(b - a, c - a), dtype=np.float64)


def area_mm2(vertices: Floats, faces: Ints) -> float:
    return float(0.5 * np.linalg.norm(face_normals(vertices, faces), axis=1).sum())


def vertex_normals(vertices: Floats, faces: Ints) -> Floats:
    """Unit normals, weighted by area, (n, 3)."""
    normals = face_normals(vertices, faces)
    total = np.zeros_like(vertices)
    for k in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(faces[:, k], normals[:, axis], len(vertices))
    return np.asarray(
        total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12), dtype=np.float64
    )


def edges_of(faces: Ints) -> Ints:
    """Every side of every facet, directed, (3m, 2)."""
    return np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])


def border_edges(faces: Ints) -> Ints:
    """Directed sides that one facet alone has, (k, 2)."""
    edges = edges_of(faces)
    low, high = edges.min(axis=1), edges.max(axis=1)
    key = low * (int(faces.max(initial=0)) + 1) + high
    _, index, counts = np.unique(key, return_index=True, return_counts=True)
    return np.asarray(edges[index[counts == 1]], dtype=np.int64)


def pieces(n: int, edges: Ints) -> tuple[int, Ints]:
    """How many connected pieces n vertices form, and the piece of each."""
    graph = sparse.coo_matrix((np.ones(len(edges), dtype=np.int8), (edges[:, 0], edges[:, 1])), shape=(n, n))
    count, label = connected_components(graph, directed=False)
    return int(count), label.astype(np.int64)


def mean_edge_mm(vertices: Floats, faces: Ints) -> float:
    edges = edges_of(faces)
    return float(np.linalg.norm(vertices[edges[:, 0]] - vertices[edges[:, 1]], axis=1).mean())


def without_pinches(faces: Ints, keep: Flags) -> Flags:
    """`keep`, less the vertices at which a border would touch itself or a piece would hang by a corner."""
    keep = keep.copy()
    for _ in range(12):
        kept = faces[keep[faces].all(axis=1)]
        border = border_edges(kept)
        pinched = np.bincount(border.ravel(), minlength=len(keep)) > 2
        if not pinched.any():
            break
        keep &= ~pinched
    return keep


def largest_piece(n: int, faces: Ints, keep: Flags) -> Flags:
    """`keep`, less every vertex outside the piece with the most facets."""
    kept = faces[keep[faces].all(axis=1)]
    _, label = pieces(n, edges_of(kept))
    sizes = np.bincount(label[kept[:, 0]], minlength=int(label.max()) + 1)
    used = np.zeros(n, dtype=bool)
    used[kept.ravel()] = True
    return np.asarray(keep & used & (label == sizes.argmax()), dtype=np.bool_)


def is_closed(faces: Ints) -> bool:
    """Whether every side of every facet has exactly one partner, the other way round."""
    edges = edges_of(faces)
    n = int(faces.max()) + 1
    there, back = edges[:, 0] * n + edges[:, 1], edges[:, 1] * n + edges[:, 0]
    return len(np.unique(there)) == len(there) and bool(np.array_equal(np.sort(there), np.sort(back)))

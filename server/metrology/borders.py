"""Borders of an open scan: its outer border, as every jaw scan has one, and the openings that should not be there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Points
from server.metrology.topology import Ints, Topology

OUTER_SHARE = 0.12
"""The longest border of a shell is its outer border when what it spans is at least this share of the shell's own area;
below it the shell is closed but for openings. A flat disc has 1, a jaw scan about 0.5, a denture with a hole 0.01."""


@dataclass(frozen=True, slots=True)
class BorderLoop:
    """One closed chain of border edges.

    length_mm: of the chain. area_mm2: of the fan from its centre, the area it would take to close it.
    diameter_mm: of the circle with that area. centre_mm: mean of its edges' middles, in the scan's frame.
    is_outer: it is the outer border of an open shell rather than an opening in it.
    """

    shell: int
    n_edges: int
    length_mm: float
    area_mm2: float
    diameter_mm: float
    centre_mm: tuple[float, float, float]
    is_outer: bool


def border_loops(topology: Topology) -> tuple[BorderLoop, ...]:
    """All border loops of a scan, the longest first. Linear in border edges.

    Two openings that touch in one point are two loops. Not seen: a slit whose two lips are exactly stitched.
    """
    half = topology.border_half_edges
    if len(half) == 0:
        return ()
    faces = topology.scan.faces
    start = faces.ravel()[half]
    end = faces[:, (1, 2, 0)].ravel()[half]
    vertices, flat = np.unique(np.concatenate([start, end]), return_inverse=True)
    ends = flat.reshape(2, -1).astype(np.int64)
    label = _loops(ends[0].copy(), ends[1].copy(), len(vertices))
    return _described(topology, topology.scan.vertices[start], topology.scan.vertices[end], label, half)


def _described(topology: Topology, a: Points, b: Points, label: Ints, half: Ints) -> tuple[BorderLoop, ...]:
    n = int(label.max()) + 1
    edge = np.linalg.norm(b - a, axis=1)
    count = np.bincount(label, minlength=n)
    length = np.bincount(label, weights=edge, minlength=n).astype(np.float64)
    middle = 0.5 * (a + b)
    sums = [np.bincount(label, weights=middle[:, d] * edge, minlength=n) for d in range(3)]
    centre = np.stack(sums, axis=1).astype(np.float64) / np.maximum(length, 1e-300)[:, None]
    fan = 0.5 * np.linalg.norm(np.cross(a - centre[label], b - centre[label]), axis=1)
    area = np.bincount(label, weights=fan, minlength=n).astype(np.float64)
    shell = np.zeros(n, dtype=np.int64)
    shell[label] = topology.face_shell[half // 3]
    outer = _outer(shell, length, area, topology.shell_areas_mm2)
    order = np.argsort(-length, kind="stable")
    return tuple(
        BorderLoop(
            shell=int(shell[i]),
            n_edges=int(count[i]),
            length_mm=float(length[i]),
            area_mm2=float(area[i]),
            diameter_mm=float(2.0 * np.sqrt(area[i] / np.pi)),
            centre_mm=(float(centre[i, 0]), float(centre[i, 1]), float(centre[i, 2])),
            is_outer=bool(outer[i]),
        )
        for i in order
    )


def _outer(
    shell: NDArray[np.int64],
    length: NDArray[np.float64],
    area: NDArray[np.float64],
    areas: NDArray[np.float64],
) -> NDArray[np.bool_]:
    outer = np.zeros(len(shell), dtype=bool)
    order = np.lexsort((-length, shell))
    _, first = np.unique(shell[order], return_index=True)
    longest = order[first]
    outer[longest] = area[longest] >= OUTER_SHARE * areas[shell[longest]]
    return outer


@njit(cache=True, nogil=True)
def _edges_at(
    a: NDArray[np.int64], b: NDArray[np.int64], n: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    offsets = np.zeros(n + 1, dtype=np.int64)
    for e in range(len(a)):
        offsets[a[e] + 1] += 1
        offsets[b[e] + 1] += 1
    for v in range(n):
        offsets[v + 1] += offsets[v]
    cursor = offsets[:-1].copy()
    at = np.empty(2 * len(a), dtype=np.int64)
    for e in range(len(a)):
        at[cursor[a[e]]] = e
        cursor[a[e]] += 1
        at[cursor[b[e]]] = e
        cursor[b[e]] += 1
    return offsets, at


@njit(cache=True, nogil=True)
def _loops(a: NDArray[np.int64], b: NDArray[np.int64], n: int) -> NDArray[np.int32]:
    """Labels every edge with its loop: walks along unused edges and cuts a loop off where the path meets itself."""
    offsets, at = _edges_at(a, b, n)
    cursor = offsets[:-1].copy()
    label = np.full(len(a), -1, dtype=np.int32)
    is_used = np.zeros(len(a), dtype=np.bool_)
    place = np.full(n, -1, dtype=np.int64)
    path_edge = np.empty(len(a) + 1, dtype=np.int64)
    path_vertex = np.empty(len(a) + 2, dtype=np.int64)
    count = 0
    for seed in range(len(a)):
        if is_used[seed]:
            continue
        v, size = a[seed], 0
        path_vertex[0], place[v] = v, 0
        while True:
            while cursor[v] < offsets[v + 1] and is_used[at[cursor[v]]]:
                cursor[v] += 1
            if cursor[v] == offsets[v + 1]:
                break
            e = at[cursor[v]]
            is_used[e] = True
            path_edge[size] = e
            v = b[e] if a[e] == v else a[e]
            size += 1
            if place[v] >= 0:
                for i in range(place[v], size):
                    label[path_edge[i]] = count
                    if i > place[v]:
                        place[path_vertex[i]] = -1
                count += 1
                size = place[v]
            else:
                path_vertex[size], place[v] = v, size
        for i in range(size + 1):
            place[path_vertex[i]] = -1
            if i < size:
                label[path_edge[i]] = count
        if size > 0:
            count += 1
    return label

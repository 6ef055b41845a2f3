"""How the facets of a scan hang together: shared edges, borders, shells, facets that are double or without area.

Everything is linear in the number of facets but for sorting, which happens inside the small bucket of one vertex and over
facets that may be double, so that a hostile mesh costs hardly more than an honest one of its size. Shells are counted through shared vertices, as scanners mean them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.made_once import made_once
from server.metrology.scan import Faces, Points, Scan

NO_TWIN = -1
"""The half-edge lies on a border."""
CROWDED = -2
"""More than two facets meet in the edge."""

SLIVER_HEIGHT_MM = 1e-4
"""A facet flatter than this (0.1 µm) has no direction worth the name: float32 steps near 50 mm are 0.004 µm."""

Ints = NDArray[np.int32]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Topology:
    """Facts of a mesh of m facets. Half-edge 3 f + k of facet f runs from its corner k to its corner k+1.

    twin: (3m,) int32, the half-edge on the other side, NO_TWIN or CROWDED.
    against: (3m,) bool, the two facets of the edge run along it in the same direction (one is turned).
    face_shell: (m,) int32, shell by shared vertices, numbered from the largest area down. Repeated facets count.
    is_repeated: (m,) bool, the facet has the same three corners as an earlier one.
    is_sliver: (m,) bool, its least height is below SLIVER_HEIGHT_MM.
    normals: (m, 3) float64 unit, zero for slivers; areas_mm2: (m,).
    """

    scan: Scan
    twin: Ints
    against: NDArray[np.bool_]
    face_shell: Ints
    is_repeated: NDArray[np.bool_]
    is_sliver: NDArray[np.bool_]
    normals: Points
    areas_mm2: Floats
    n_crowded_edges: int

    @made_once
    def shell_areas_mm2(self) -> Floats:
        return np.bincount(self.face_shell, weights=self.areas_mm2).astype(np.float64)

    @made_once
    def area_mm2(self) -> float:
        return float(self.areas_mm2.sum())

    @made_once
    def vertex_normals(self) -> Points:
        """(n, 3) float64, unit, weighted by area; zero where a vertex has no facet with an area."""
        return _vertex_normals(self.scan.faces, self.normals, self.areas_mm2, self.scan.n_vertices)

    @made_once
    def vertex_areas_mm2(self) -> Floats:
        """(n,) a third of the area of the facets around each vertex."""
        thirds = np.repeat(self.areas_mm2 / 3.0, 3)
        return np.bincount(self.scan.faces.ravel(), weights=thirds, minlength=self.scan.n_vertices).astype(
            np.float64
        )

    @made_once
    def edge_lengths_mm(self) -> Floats:
        """Length of every edge, once, in no particular order."""
        keep = (self.twin < 0) | (self.twin > np.arange(len(self.twin)))
        a = self.scan.faces.ravel()[keep]
        b = self.scan.faces[:, (1, 2, 0)].ravel()[keep]
        return np.asarray(np.linalg.norm(self.scan.vertices[a] - self.scan.vertices[b], axis=1))

    @made_once
    def border_half_edges(self) -> Ints:
        return np.flatnonzero(self.twin == NO_TWIN).astype(np.int32)

    @made_once
    def n_edges(self) -> int:
        """Distinct edges; an edge in which many facets meet counts once."""
        faces = self.scan.faces
        low = np.minimum(faces, faces[:, (1, 2, 0)]).astype(np.int64)
        high = np.maximum(faces, faces[:, (1, 2, 0)]).astype(np.int64)
        if self.n_crowded_edges == 0:
            return int(np.count_nonzero(self.twin == NO_TWIN) + np.count_nonzero(self.twin >= 0) // 2)
        return len(np.unique((low << 32 | high).ravel()))

    @made_once
    def euler_characteristic(self) -> int:
        """Vertices in use - edges + facets."""
        used = np.zeros(self.scan.n_vertices, dtype=bool)
        used[self.scan.faces.ravel()] = True
        return int(used.sum()) - self.n_edges + self.scan.n_faces

    @made_once
    def shell_volumes_mm3(self) -> Floats:
        """Signed volume of each shell, positive where normals point outward; means little for an open one."""
        v = self.scan.vertices - self.scan.vertices.mean(axis=0)
        a, b, c = (v[self.scan.faces[:, k]] for k in range(3))
        sixths = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0
        return np.bincount(self.face_shell, weights=sixths, minlength=len(self.shell_areas_mm2)).astype(
            np.float64
        )

    @made_once
    def shell_border_edges(self) -> NDArray[np.int64]:
        """How many border edges each shell has; 0 for a closed one."""
        shells = self.face_shell[self.border_half_edges // 3]
        return np.bincount(shells, minlength=len(self.shell_areas_mm2))


def topology_of(scan: Scan) -> Topology:
    """The topology of a scan of at least one facet. Linear in facets; needs about 120 bytes a facet."""
    faces = np.ascontiguousarray(scan.faces, dtype=np.int32)
    vertices = np.ascontiguousarray(scan.vertices, dtype=np.float64)
    normals, areas, heights = _facet_shape(vertices, faces)
    offsets, entries = _edges_by_lower_vertex(faces, scan.n_vertices)
    twin, against, n_crowded = _pair_edges(faces, offsets, entries)
    shell = _number_by_area(_shells(faces, scan.n_vertices), areas)
    return Topology(
        scan=scan,
        twin=twin,
        against=against,
        face_shell=shell,
        is_repeated=_repeated_facets(faces, twin),
        is_sliver=heights < SLIVER_HEIGHT_MM,
        normals=normals,
        areas_mm2=areas,
        n_crowded_edges=int(n_crowded),
    )


def _number_by_area(label: Ints, areas: Floats) -> Ints:
    totals = np.bincount(label, weights=areas)
    rank = np.empty(len(totals), dtype=np.int32)
    rank[np.argsort(-totals, kind="stable")] = np.arange(len(totals), dtype=np.int32)
    return rank[label]


@njit(cache=True, error_model="numpy")
def _facet_shape(vertices: Points, faces: Faces) -> tuple[Points, Floats, Floats]:
    """Unit normals (m, 3), zero for a facet without area; areas (m,); least heights (m,)."""
    m = faces.shape[0]
    normals, areas, heights = np.zeros((m, 3)), np.empty(m), np.zeros(m)
    for f in range(m):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, vx = vertices[b, 0] - vertices[a, 0], vertices[c, 0] - vertices[a, 0]
        uy, vy = vertices[b, 1] - vertices[a, 1], vertices[c, 1] - vertices[a, 1]
        uz, vz = vertices[b, 2] - vertices[a, 2], vertices[c, 2] - vertices[a, 2]
        wx, wy, wz = vx - ux, vy - uy, vz - uz
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        double = np.sqrt(nx * nx + ny * ny + nz * nz)
        longest = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, wx * wx + wy * wy + wz * wz)
        areas[f] = 0.5 * double
        if double > 0.0:
            normals[f, 0], normals[f, 1], normals[f, 2] = nx / double, ny / double, nz / double
            heights[f] = double / np.sqrt(longest)
    return normals, areas, heights


@njit(cache=True, nogil=True)
def _edges_by_lower_vertex(faces: Faces, n: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    m = faces.shape[0]
    offsets = np.zeros(n + 1, dtype=np.int64)
    for f in range(m):
        for k in range(3):
            offsets[min(faces[f, k], faces[f, (k + 1) % 3]) + 1] += 1
    for v in range(n):
        offsets[v + 1] += offsets[v]
    cursor = offsets[:-1].copy()
    entries = np.empty(3 * m, dtype=np.int64)
    for f in range(m):
        for k in range(3):
            a, b = faces[f, k], faces[f, (k + 1) % 3]
            low, high = min(a, b), max(a, b)
            entries[cursor[low]] = (np.int64(high) << 32) | np.int64(3 * f + k)
            cursor[low] += 1
    return offsets, entries


@njit(cache=True, nogil=True)
def _sort_bucket(entries: NDArray[np.int64], begin: int, end: int) -> None:
    if end - begin > 24:
        entries[begin:end].sort()
        return
    for i in range(begin + 1, end):
        item = entries[i]
        j = i - 1
        while j >= begin and entries[j] > item:
            entries[j + 1] = entries[j]
            j -= 1
        entries[j + 1] = item


@njit(cache=True, nogil=True)
def _pair_edges(
    faces: Faces, offsets: NDArray[np.int64], entries: NDArray[np.int64]
) -> tuple[Ints, NDArray[np.bool_], int]:
    half = entries.shape[0]
    twin = np.full(half, -1, dtype=np.int32)
    against = np.zeros(half, dtype=np.bool_)
    mask = (np.int64(1) << 32) - 1
    n_crowded = 0
    for v in range(offsets.shape[0] - 1):
        begin, end = offsets[v], offsets[v + 1]
        _sort_bucket(entries, begin, end)
        i = begin
        while i < end:
            j = i + 1
            while j < end and entries[j] >> 32 == entries[i] >> 32:
                j += 1
            if j - i == 2:
                g, h = entries[i] & mask, entries[i + 1] & mask
                twin[g], twin[h] = h, g
                same = faces[g // 3, g % 3] == faces[h // 3, h % 3]
                against[g], against[h] = same, same
            elif j - i > 2:
                n_crowded += 1
                for k in range(i, j):
                    twin[entries[k] & mask] = -2
            i = j
    return twin, against, n_crowded


@njit(cache=True, nogil=True)
def _root(parent: Ints, v: int) -> int:
    while parent[v] != v:
        parent[v] = parent[parent[v]]
        v = parent[v]
    return v


@njit(cache=True, nogil=True)
def _shells(faces: Faces, n: int) -> Ints:
    parent = np.arange(n).astype(np.int32)
    for f in range(faces.shape[0]):
        a = _root(parent, faces[f, 0])
        for k in range(1, 3):
            b = _root(parent, faces[f, k])
            if a != b:
                low, high = min(a, b), max(a, b)
                parent[high] = low
                a = low
    number = np.full(n, -1, dtype=np.int32)
    label = np.empty(faces.shape[0], dtype=np.int32)
    count = 0
    for f in range(faces.shape[0]):
        r = _root(parent, faces[f, 0])
        if number[r] < 0:
            number[r] = count
            count += 1
        label[f] = number[r]
    return label


def _repeated_facets(faces: Faces, twin: Ints) -> NDArray[np.bool_]:
    """Which facets have the same three corners as an earlier one."""
    repeated = np.zeros(len(faces), dtype=np.bool_)
    suspects = np.flatnonzero(_may_be_double(twin))
    if len(suspects):
        corners = np.sort(faces[suspects], axis=1)
        order = np.lexsort((suspects, *corners.T))
        like_the_one_before = (corners[order[1:]] == corners[order[:-1]]).all(axis=1)
        repeated[suspects[order[1:]][like_the_one_before]] = True
    return repeated


@njit(cache=True, nogil=True)
def _may_be_double(twin: Ints) -> NDArray[np.bool_]:
    """Facets that share every edge with the same other facet, or with more than one: only these can have a double."""
    m = twin.shape[0] // 3
    suspect = np.zeros(m, dtype=np.bool_)
    for f in range(m):
        other, is_suspect = -1, True
        for k in range(3):
            t = twin[3 * f + k]
            if t == -1 or (t >= 0 and other >= 0 and t // 3 != other):
                is_suspect = False
                break
            if t >= 0:
                other = t // 3
        suspect[f] = is_suspect
    return suspect


@njit(cache=True, nogil=True)
def _vertex_normals(faces: Faces, normals: Points, areas: Floats, n: int) -> Points:
    out = np.zeros((n, 3))
    for f in range(faces.shape[0]):
        for k in range(3):
            for d in range(3):
                out[faces[f, k], d] += normals[f, d] * areas[f]
    for v in range(n):
        length = np.sqrt(out[v, 0] ** 2 + out[v, 1] ** 2 + out[v, 2] ** 2)
        if length > 0.0:
            for d in range(3):
                out[v, d] /= length
    return out

"""Meshes of implicit surfaces: dual marching cubes on a grid of any direction, put on the true surface by Newton steps.

One vertex per patch of surface in a cell, one quadrangle per grid edge that crosses the surface: even triangles
without slivers, closed wherever the surface is. The grid is evaluated only near the surface.
Source: Nielson 2004, Dual Marching Cubes (IEEE Visualization; from memory), own table of patches.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Field = Callable[[Floats], Floats]

BLOCK = 4
"""Cells along the side of a block."""
EDGE_PER_CELL = 0.98
"""Mean edge of the relaxed mesh, in cells (measured on spheres and ridges)."""
CORNERS = np.array([(i & 1, i >> 1 & 1, i >> 2 & 1) for i in range(8)])
EDGES = np.array([(a, a | 1 << axis) for axis in range(3) for a in range(8) if not a >> axis & 1])
"""Edges 0-3 run along x, 4-7 along y, 8-11 along z; each from its lower corner."""


@dataclass(frozen=True, slots=True)
class Mesh:
    """vertices_mm (n, 3) on the surface, faces (m, 3) that look to where the field is positive."""

    vertices_mm: Floats
    faces: Ints

    def cut_to(self, keep_vertex: NDArray[np.bool_]) -> tuple[Mesh, Ints]:
        """The faces whose three corners are kept; and for each vertex of the result its old index."""
        faces = self.faces[keep_vertex[self.faces].all(axis=1)]
        used, renumbered = np.unique(faces, return_inverse=True)
        return Mesh(self.vertices_mm[used], renumbered.reshape(-1, 3)), used


@dataclass(frozen=True, slots=True)
class Grid:
    """origin_mm + turn @ (h · index): where the nodes lie. wanted: an optional field, only where negative is meshed."""

    turn: Floats
    origin_mm: Floats
    h_mm: float
    shape: tuple[int, int, int]

    def points(self, index: Floats) -> Floats:
        return np.asarray(self.origin_mm + (index * self.h_mm) @ self.turn.T, dtype=np.float64)


def mesh_of(
    field: Field,
    *,
    low_mm: Floats,
    high_mm: Floats,
    spacing_mm: float,
    turn: Floats,
    nudge: Floats,
    wanted: Field | None = None,
) -> Mesh:
    """The zero surface of `field` within a box, edges about `spacing_mm` long.

    turn: rotation of the grid; nudge: its offset, (3,) in cells. wanted: meshes only where this field is negative
    or within a few cells of it.
    """
    grid = _grid(low_mm, high_mm, spacing_mm / EDGE_PER_CELL, turn, nudge)
    blocks = _active_blocks(grid, field, wanted)
    cells, values = _crossed_cells(grid, field, blocks)
    vertices, faces = _dual(grid, cells, values)
    for _ in range(2):
        vertices = on_surface(field, vertices, limit_mm=0.5 * grid.h_mm, steps=2)
        vertices = _relaxed(vertices, faces)
    vertices = on_surface(field, vertices, limit_mm=0.4 * grid.h_mm, steps=3)
    return Mesh(vertices, _triangles(vertices, faces))


def gradient(field: Field, points_mm: Floats, *, step_mm: float = 1e-3) -> tuple[Floats, Floats]:
    """The field and its gradient at (n, 3) points, by differences to four corners of a tetrahedron."""
    corners = np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
    values = np.stack([field(points_mm + step_mm * corner) for corner in corners])
    return values.mean(axis=0), values.T @ corners / (4.0 * step_mm)


def on_surface(field: Field, points_mm: Floats, *, limit_mm: float, steps: int) -> Floats:
    """Points moved along the gradient onto the zero surface by Newton steps, each at most `limit_mm`."""
    points = points_mm.copy()
    for _ in range(steps):
        f, g = gradient(field, points)
        step = -f / np.maximum((g * g).sum(axis=1), 0.05)
        length = np.abs(step) * np.linalg.norm(g, axis=1)
        step *= np.minimum(1.0, limit_mm / np.maximum(length, 1e-12))
        points += step[:, None] * g
    return points


def _grid(low: Floats, high: Floats, h: float, turn: Floats, nudge: Floats) -> Grid:
    box = np.array([[low, high][i >> k & 1][k] for i in range(8) for k in range(3)]).reshape(8, 3) @ turn
    start, end = box.min(axis=0) - (1.0 + nudge) * h, box.max(axis=0) + h
    counts = np.ceil((end - start) / (h * BLOCK)).astype(int) + 1
    return Grid(turn, turn @ start, h, (int(counts[0]), int(counts[1]), int(counts[2])))


def _active_blocks(grid: Grid, field: Field, wanted: Field | None) -> Ints:
    """Indices (n, 3) of the blocks that the surface may cross."""
    shape = tuple(n + 1 for n in grid.shape)
    nodes = np.stack(np.meshgrid(*(np.arange(n) for n in shape), indexing="ij"), axis=-1).reshape(-1, 3)
    places = grid.points(nodes.astype(np.float64) * BLOCK)
    reach = 1.05 * BLOCK * grid.h_mm
    f = np.full(len(places), 1e9)
    near = np.ones(len(places), dtype=bool) if wanted is None else wanted(places) < 2.0 * reach
    f[near] = field(places[near])
    close = (np.abs(f) < reach).reshape(shape)
    inside = (f < 0).reshape(shape)
    outside = ((f >= 0) & near).reshape(shape)
    any_close, any_in, any_out = (_over_corners(a) for a in (close, inside, outside))
    return np.argwhere(any_close | (any_in & any_out))


def _over_corners(nodes: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """For each block whether any of its eight corners holds."""
    a = nodes[:-1] | nodes[1:]
    a = a[:, :-1] | a[:, 1:]
    return np.asarray(a[:, :, :-1] | a[:, :, 1:], dtype=np.bool_)


def _crossed_cells(grid: Grid, field: Field, blocks: Ints) -> tuple[Ints, Floats]:
    """Cells (n, 3) that the surface crosses, and the field at their corners (n, 8)."""
    side = BLOCK + 1
    local = np.stack(np.meshgrid(*(np.arange(side),) * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    shape = np.array(grid.shape) * BLOCK + 1
    stride = np.array([shape[1] * shape[2], shape[2], 1])
    once, where = np.unique(((blocks * BLOCK) @ stride)[:, None] + local @ stride, return_inverse=True)
    nodes = once[:, None] // stride % shape
    f = field(grid.points(nodes.astype(np.float64)))[where].reshape(-1, side, side, side)
    corner = [f[:, x : x + BLOCK, y : y + BLOCK, z : z + BLOCK] for x, y, z in CORNERS]
    values = np.stack([c.reshape(len(blocks), -1) for c in corner], axis=-1)
    inside = values < 0.0
    crossed = inside.any(axis=-1) & ~inside.all(axis=-1)
    block, cell = np.nonzero(crossed)
    within = np.stack(np.unravel_index(cell, (BLOCK,) * 3), axis=1)
    return blocks[block] * BLOCK + within, values[crossed]


@lru_cache(maxsize=1)
def _patches() -> tuple[Ints, Ints]:
    """For each of the 256 signs of a cell: the patch that each of its 12 edges belongs to (-1 none), and how many."""
    table, counts = np.full((256, 12), -1), np.zeros(256, dtype=np.int64)
    for config in range(256):
        inside = [bool(config >> i & 1) for i in range(8)]
        link = {e: e for e, (a, b) in enumerate(EDGES) if inside[a] != inside[b]}
        for axis in range(3):
            for level in (0, 1):
                for a, b in _face_links(inside, axis, level):
                    old, new = link[a], link[b]
                    link = {e: new if root == old else root for e, root in link.items()}
        for number, root in enumerate(sorted(set(link.values()))):
            for e in link:
                table[config, e] = number if link[e] == root else table[config, e]
        counts[config] = len(set(link.values()))
    return table.astype(np.int64), counts


def _face_links(inside: list[bool], axis: int, level: int) -> list[tuple[int, int]]:
    """Pairs of crossed edges joined across one face; where all four cross, each inside corner is cut off alone."""
    edge_of = {frozenset((int(a), int(b))): e for e, (a, b) in enumerate(EDGES)}
    p, q = 1 << (axis + 1) % 3, 1 << (axis + 2) % 3
    origin = level << axis
    ring = [origin, origin | p, origin | p | q, origin | q]
    sides = [edge_of[frozenset((ring[k], ring[(k + 1) % 4]))] for k in range(4)]
    crossed = [sides[k] for k in range(4) if inside[ring[k]] != inside[ring[(k + 1) % 4]]]
    if len(crossed) == 4:
        return [(sides[k - 1], sides[k]) for k in range(4) if inside[ring[k]]]
    return [(crossed[0], crossed[1])] if crossed else []


def _dual(grid: Grid, cells: Ints, values: Floats) -> tuple[Floats, Ints]:
    """Vertices (n, 3) and quadrangles (m, 4)."""
    table, counts = _patches()
    stride = np.array([grid.shape[1] * grid.shape[2] * BLOCK**2, grid.shape[2] * BLOCK, 1], dtype=np.int64)
    ids = cells @ stride
    order = np.argsort(ids)
    cells, values, ids = cells[order], values[order], ids[order]
    config = ((values < 0.0) * (1 << np.arange(8))).sum(axis=1)
    first = np.concatenate([[0], np.cumsum(counts[config])])
    vertices = _crossing_means(grid, cells, values, table[config], first)
    quads = []
    for axis in range(3):
        p, q = (axis + 1) % 3, (axis + 2) % 3
        own = np.flatnonzero((values[:, 0] < 0.0) != (values[:, 1 << axis] < 0.0))
        ring, found = [], np.ones(len(own), dtype=bool)
        for dp, dq in ((0, 0), (1, 0), (1, 1), (0, 1)):
            edge = _edge_index(axis, dp << p | dq << q)
            wanted = ids[own] - dp * stride[p] - dq * stride[q]
            at = np.minimum(np.searchsorted(ids, wanted), len(ids) - 1)
            found &= ids[at] == wanted
            ring.append(first[at] + np.maximum(table[config[at], edge], 0))
        ring_ = np.stack(ring, axis=1)
        flip = values[own, 0] >= 0.0
        ring_[flip] = ring_[flip][:, ::-1]
        quads.append(ring_[found])
    return vertices, np.concatenate(quads)


def _edge_index(axis: int, corner: int) -> int:
    return int(np.flatnonzero((EDGES[:, 0] == corner) & (EDGES[:, 1] == corner | 1 << axis))[0])


def _crossing_means(grid: Grid, cells: Ints, values: Floats, patch: Ints, first: Ints) -> Floats:
    total = np.zeros((int(first[-1]), 4))
    for e, (a, b) in enumerate(EDGES):
        at = np.flatnonzero(patch[:, e] >= 0)
        fa, fb = values[at, a], values[at, b]
        t = (fa / (fa - fb))[:, None]
        index = cells[at] + CORNERS[a] * (1.0 - t) + CORNERS[b] * t
        np.add.at(total, first[at] + patch[at, e], np.column_stack([index, np.ones(len(at))]))
    return grid.points(total[:, :3] / np.maximum(total[:, 3:], 1.0))


def _relaxed(vertices: Floats, quads: Ints) -> Floats:
    """Each vertex halfway to the middle of its neighbours along the quadrangles."""
    total = np.zeros((len(vertices), 4))
    for k in range(4):
        a, b = quads[:, k], quads[:, (k + 1) % 4]
        for i, j in ((a, b), (b, a)):
            for axis in range(3):
                total[:, axis] += np.bincount(i, vertices[j, axis], len(vertices))
            total[:, 3] += np.bincount(i, minlength=len(vertices))
    middle = total[:, :3] / np.maximum(total[:, 3:], 1.0)
    lone = total[:, 3] == 0
    return np.where(lone[:, None], vertices, 0.5 * (vertices + middle))


def _triangles(vertices: Floats, quads: Ints) -> Ints:
    """Each quadrangle cut along its shorter diagonal."""
    ac = np.linalg.norm(vertices[quads[:, 0]] - vertices[quads[:, 2]], axis=1)
    bd = np.linalg.norm(vertices[quads[:, 1]] - vertices[quads[:, 3]], axis=1)
    short = (ac <= bd)[:, None, None]
    one = quads[:, [[0, 1, 2], [0, 2, 3]]]
    two = quads[:, [[0, 1, 3], [1, 2, 3]]]
    faces = np.where(short, one, two).reshape(-1, 3)
    a, b, c = faces.T
    return np.asarray(faces[(a != b) & (b != c) & (c != a)], dtype=np.int64)

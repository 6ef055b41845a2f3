"""The grain of a scan: how closely its points lie, how much they scatter, and which stick out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.quantiles import chi2_quantile
from server.metrology.scan import Faces, Points
from server.metrology.topology import Topology

SAMPLES = 4000
NEIGHBOURS = 24
QUADRIC_TERMS = 6
SMOOTH_QUANTILE = 0.4
"""The scatter is read where the surface is smooth: below the median, since edges and creases only ever add to it."""
CELL_MM = 6.0
SPIKE_MM = 1.0
RING_CAP = 96
"""A vertex with more second neighbours than this is judged by the first of them; keeps hostile fans linear."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Spacing:
    """Edge lengths of a scan in mm: its median and how coarse its coarsest twentieth is."""

    median_mm: float
    p95_mm: float
    n_edges: int


@dataclass(frozen=True, slots=True)
class Scatter:
    """Scatter of the points along the normal about a smooth surface, one standard deviation, in mm.

    u95_mm: of the estimate. roughest_mm, roughest_at_mm: the same in the roughest cell of 6 mm and where that is.
    Only the part of the noise that changes from point to point; an error that bends whole regions is not seen here.
    """

    sigma_mm: float
    u95_mm: float
    roughest_mm: float
    roughest_at_mm: tuple[float, float, float]
    n_samples: int


@dataclass(frozen=True, slots=True)
class Spikes:
    """Points more than 1 mm off their neighbourhood; the tallest first, at most 50 named."""

    count: int
    tallest_mm: float
    places_mm: tuple[tuple[float, float, float], ...]


def spacing_of(topology: Topology) -> Spacing:
    lengths = topology.edge_lengths_mm
    if len(lengths) == 0:
        return Spacing(0.0, 0.0, 0)
    median, p95 = np.quantile(lengths, (0.5, 0.95))
    return Spacing(float(median), float(p95), len(lengths))


def scatter_of(topology: Topology) -> Scatter | None:
    """The scatter of a scan's points, or None where too few lie close enough together to tell.

    Method: at points spread over the surface the nearest 24 points that face the same way are fitted by a quadric
    in the tangent frame; the residuals' variance is taken with the fit's own degrees of freedom.
    """
    points, normals = topology.scan.vertices, topology.vertex_normals
    usable = np.flatnonzero(np.einsum("ij,ij->i", normals, normals) > 0.5)
    if len(usable) < 4 * NEIGHBOURS:
        return None
    rng = np.random.default_rng(7)
    picked = np.sort(rng.choice(usable, min(SAMPLES, len(usable)), replace=False))
    variance, dof = _quadric_variance(points[usable], normals[usable], points[picked], normals[picked])
    good = dof >= QUADRIC_TERMS
    if good.sum() < 30:
        return None
    return _summed(points[picked][good], variance[good], dof[good])


def _quadric_variance(
    points: Points, normals: Points, at: Points, at_normal: Points
) -> tuple[Floats, Floats]:
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)  # quicker made, asked few times
    _, near = tree.query(at, k=NEIGHBOURS)
    u, w = _tangents(at_normal)
    offset = points[near] - at[:, None]
    x, y, z = (np.einsum("ikj,ij->ik", offset, axis) for axis in (u, w, at_normal))
    weight = (np.einsum("ikj,ij->ik", normals[near], at_normal) > 0.5).astype(float)
    scale = np.maximum(np.sqrt((x**2 + y**2).mean(axis=1, keepdims=True)), 1e-9)
    x, y = x / scale, y / scale
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2) * weight[:, :, None]
    across = design.transpose(0, 2, 1)
    normal = across @ design + 1e-12 * np.eye(QUADRIC_TERMS)
    coefficient = np.linalg.solve(normal, across @ (z * weight)[:, :, None])
    residual = z * weight - (design @ coefficient)[:, :, 0]
    dof = weight.sum(axis=1) - QUADRIC_TERMS
    return (residual**2).sum(axis=1) / np.maximum(dof, 1.0), dof


def _tangents(normals: Points) -> tuple[Points, Points]:
    aside = np.where(np.abs(normals[:, :1]) < 0.9, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    u = np.cross(normals, aside)
    u /= np.maximum(np.linalg.norm(u, axis=1, keepdims=True), 1e-12)
    return u, np.cross(normals, u)


def _summed(at: Points, variance: Floats, dof: Floats) -> Scatter:
    typical = float(np.median(dof))
    low = float(np.quantile(variance, SMOOTH_QUANTILE)) / (chi2_quantile(SMOOTH_QUANTILE, typical) / typical)
    sigma = float(np.sqrt(low))
    roughest, place = _roughest_cell(at, variance)
    spread = 1.3 / np.sqrt(2.0 * typical * len(variance))
    u95 = 1.96 * sigma * float(np.hypot(spread, 0.05))
    return Scatter(sigma, u95, max(roughest, sigma), place, len(variance))


def _roughest_cell(at: Points, variance: Floats) -> tuple[float, tuple[float, float, float]]:
    cell = np.floor(at / CELL_MM).astype(np.int64)
    _, label = np.unique(cell, axis=0, return_inverse=True)
    label = label.ravel()
    order = np.lexsort((variance, label))
    begin = np.searchsorted(label[order], np.arange(label.max() + 1))
    size = np.diff(np.append(begin, len(label)))
    median = variance[order[begin + size // 2]]
    median[size < 12] = 0.0
    worst = int(np.argmax(median))
    centre = at[label == worst].mean(axis=0)
    return float(np.sqrt(median[worst])), (float(centre[0]), float(centre[1]), float(centre[2]))


def spikes_of(topology: Topology) -> Spikes:
    """Points that stick out: more than 1 mm off the plane of their second neighbours, more than three times as far as
    those neighbours themselves lie off it, so that edges and crests are no spikes, and twice as far as most of those next to
    them, so that the foot and rim of a model that was given a base are none. Linear in facets.

    Not seen: outgrowths wider than two rings of facets; those are surface, wanted or not.
    """
    height = spike_heights_mm(topology)
    found = np.flatnonzero(height > SPIKE_MM)
    tallest = found[np.argsort(-height[found], kind="stable")][:50]
    places = tuple((float(p[0]), float(p[1]), float(p[2])) for p in topology.scan.vertices[tallest])
    return Spikes(len(found), float(height[found].max()) if len(found) else 0.0, places)


def spike_heights_mm(topology: Topology) -> Floats:
    """(n,) how far each vertex sticks out of its neighbourhood; 0 where it does no more than its neighbours do."""
    return np.asarray(_spike_heights(topology.scan.vertices, topology.scan.faces, topology.normals))


@njit(cache=True, nogil=True)
def _facets_at(faces: Faces, n: int) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    offsets = np.zeros(n + 1, dtype=np.int64)
    for f in range(faces.shape[0]):
        for k in range(3):
            offsets[faces[f, k] + 1] += 1
    for v in range(n):
        offsets[v + 1] += offsets[v]
    cursor = offsets[:-1].copy()
    at = np.empty(3 * faces.shape[0], dtype=np.int32)
    for f in range(faces.shape[0]):
        for k in range(3):
            at[cursor[faces[f, k]]] = f
            cursor[faces[f, k]] += 1
    return offsets, at


@njit(cache=True, nogil=True)
def _ring(
    v: int, faces: Faces, offsets: NDArray[np.int64], at: NDArray[np.int32], ring: NDArray[np.int32]
) -> int:
    """Writes up to RING_CAP distinct neighbours and their neighbours into ring, v left out; returns how many."""
    size = 0
    first = 0
    for depth in range(2):
        last = size if depth == 1 else 1
        for i in range(first, last):
            centre = v if depth == 0 else ring[i]
            for j in range(offsets[centre], min(offsets[centre + 1], offsets[centre] + 24)):
                for k in range(3):
                    w = faces[at[j], k]
                    if w == v or size == RING_CAP:
                        continue
                    known = False
                    for s in range(size):
                        if ring[s] == w:
                            known = True
                            break
                    if not known:
                        ring[size] = w
                        size += 1
    return size


@njit(cache=True, nogil=True)
def _has_long_edge(
    v: int, vertices: Points, faces: Faces, offsets: NDArray[np.int64], at: NDArray[np.int32]
) -> bool:
    for j in range(offsets[v], offsets[v + 1]):
        for k in range(3):
            w = faces[at[j], k]
            d2 = 0.0
            for d in range(3):
                d2 += (vertices[w, d] - vertices[v, d]) ** 2
            if d2 > 0.25:
                return True
    return False


@njit(cache=True, nogil=True)
def _stands_alone(
    v: int,
    height: float,
    middle: Floats,
    direction: Floats,
    vertices: Points,
    faces: Faces,
    offsets: NDArray[np.int64],
    at: NDArray[np.int32],
) -> bool:
    """Whether fewer than half of the points next to it, each counted by its facets, stand half as high on its side."""
    n_high = 0
    n_all = 0
    for j in range(offsets[v], offsets[v + 1]):
        for k in range(3):
            w = faces[at[j], k]
            if w != v:
                n_all += 1
                n_high += 2.0 * ((vertices[w] - middle) * direction).sum() / height > 1.0
    return 2 * n_high < n_all


@njit(cache=True, nogil=True)
def _direction_of(
    v: int,
    ring: NDArray[np.int32],
    faces: Faces,
    normals: Points,
    offsets: NDArray[np.int64],
    at: NDArray[np.int32],
    out: Floats,
) -> float:
    """Writes the mean normal of the facets around a ring that do not touch v; returns its length before scaling."""
    out[:] = 0.0
    for i in range(len(ring)):
        for j in range(offsets[ring[i]], min(offsets[ring[i] + 1], offsets[ring[i]] + 24)):
            f = at[j]
            if faces[f, 0] != v and faces[f, 1] != v and faces[f, 2] != v:
                out += normals[f]
    length = np.sqrt((out**2).sum())
    if length > 0.0:
        out /= length
    return float(length)


@njit(cache=True, nogil=True)
def _spike_heights(vertices: Points, faces: Faces, normals: Points) -> Floats:
    n = vertices.shape[0]
    offsets, at = _facets_at(faces, n)
    height = np.zeros(n)
    ring = np.empty(RING_CAP, dtype=np.int32)
    middle = np.empty(3)
    direction = np.empty(3)
    for v in range(n):
        if not _has_long_edge(v, vertices, faces, offsets, at):
            continue
        size = _ring(v, faces, offsets, at, ring)
        if size < 6 or _direction_of(v, ring[:size], faces, normals, offsets, at, direction) < 1e-9:
            continue
        around = vertices[ring[:size]]
        for d in range(3):
            middle[d] = np.median(around[:, d])
        off = ((vertices[v] - middle) * direction).sum()
        if abs(off) <= 3.0 * np.median(np.abs(((around - middle) * direction).sum(axis=1))):
            continue
        if _stands_alone(v, off, middle, direction, vertices, faces, offsets, at):
            height[v] = abs(off)
    return height

"""A reference body made ready for search and fit: its outer surface, its profile, its index feature, its edges.

The frame of a body: seat at the origin, axis along +z away from the seat, clocking direction +x. Any body near a surface
of revolution will do, open at the seat or closed, hollow inside or not: only what a scanner can see from outside and
above the seat is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bvh import BoxTree
from server.metrology.scan import Points, Scan

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SAMPLE_MM = 0.12
OPEN_SHARE = 0.25
"""Least share of the sky that a point of the outer surface sees; the wall of a channel sees less."""
CREASE_DEG = 25.0
RADIUS_STEP_MM = 0.1
LEAST_RADIUS_SHARE = 0.12
CELL_MM = 0.1
TURN_BINS = 24
INDEX_MM = 0.08


class UnusableReference(ValueError):
    """A reference body that cannot be searched for. The text says why and what to do."""


@dataclass(frozen=True, eq=False)
class ReferenceBody:
    """One kind of the body catalogue.

    id: as in the catalogue. points, normals: (n, 3) samples spread evenly over the outer surface, in the body's frame,
    normals outward. is_index: (n,) samples that a turn about the axis does not carry into the surface: flats, grooves.
    radii_mm: at which distances along the normal the sides lie from the axis. outer: the facets of the outer surface.
    creases: (m, 3) points along sharp edges, 0.05 mm apart. area_per_sample_mm2: what one sample stands for.
    """

    id: str
    points: Points
    normals: Points
    is_index: Mask
    radii_mm: tuple[float, ...]
    outer: Scan
    creases: Points
    area_per_sample_mm2: float

    @property
    def height_mm(self) -> float:
        return float(self.points[:, 2].max())

    @property
    def reach_mm(self) -> float:
        """Largest distance of the outer surface from the axis."""
        return float(np.hypot(self.points[:, 0], self.points[:, 1]).max())

    @property
    def area_mm2(self) -> float:
        return len(self.points) * self.area_per_sample_mm2

    @cached_property
    def tree(self) -> BoxTree:
        return BoxTree(self.outer)

    @cached_property
    def crease_tree(self) -> cKDTree | None:
        return cKDTree(self.creases) if len(self.creases) else None

    @cached_property
    def facet_normals(self) -> Points:
        """(m, 3) outward unit normals of the facets of `outer`."""
        a, b, c = (self.outer.vertices[self.outer.faces[:, k]] for k in range(3))
        n = np.cross(b - a, c - a)
        return np.asarray(n / np.linalg.norm(n, axis=1, keepdims=True))

    @cached_property
    def is_top(self) -> Mask:
        """(n,) samples of the surface that faces along the axis within 0.3 mm of the highest."""
        return np.asarray((self.points[:, 2] > self.height_mm - 0.3) & (self.normals[:, 2] > 0.8))


def reference_body(body_id: str, mesh: Scan) -> ReferenceBody:
    """The body made ready. mesh: in the body's frame, mm; closed or open, either winding.

    Raises UnusableReference where nothing of it stands above the seat or its sides lie round no axis.
    """
    if mesh.n_faces == 0:
        raise UnusableReference(f"the reference body {body_id} has no surface")
    points, normals, facets, step2 = _samples(mesh)
    side = _open_side(BoxTree(mesh), points, normals)
    is_outer = (side != 0) & (points[:, 2] > -0.02)
    normals = normals * np.where(side == 0, 1, side)[:, None]
    is_outer &= normals[:, 2] > -0.7  # the underside, where it is closed at the seat
    if is_outer.sum() < 200:
        raise UnusableReference(
            f"hardly anything of the reference body {body_id} can be seen from outside above its seat; "
            "check the seat, the axis and the unit of its entry"
        )
    outer = _outer_facets(mesh, facets, is_outer, side)
    points, normals = points[is_outer], normals[is_outer]
    is_index = _off_the_turned_surface(points)
    radii = _side_radii(points[~is_index], normals[~is_index])
    if not radii:
        raise UnusableReference(
            f"the sides of the reference body {body_id} lie round no axis; check the axis of its entry"
        )
    return ReferenceBody(body_id, points, normals, is_index, radii, outer, _creases(outer), step2)


def _samples(mesh: Scan) -> tuple[Points, Points, NDArray[np.int64], float]:
    """Points spread evenly over all facets: on each a lattice, and what is left over by a running sum of area."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    double = np.linalg.norm(cross, axis=1)
    step2 = SAMPLE_MM**2
    ends = np.floor(np.cumsum(double / 2.0) / step2 + 0.5).astype(np.int64)
    count = np.diff(ends, prepend=0)
    facets = np.repeat(np.arange(len(count)), count)
    k = np.arange(len(facets)) - np.repeat(ends - count, count)
    # a low-discrepancy lattice in the unit square (Roberts 2018: R2), folded into the triangle
    u, v = (0.5 + k * 0.7548776662466927) % 1.0, (0.5 + k * 0.5698402909980532) % 1.0
    fold = u + v > 1.0
    u, v = np.where(fold, 1.0 - u, u)[:, None], np.where(fold, 1.0 - v, v)[:, None]
    at = a[facets] + u * (b - a)[facets] + v * (c - a)[facets]
    return at, cross[facets] / double[facets, None], facets, step2


def _open_side(tree: BoxTree, points: Points, normals: Points) -> NDArray[np.int64]:
    """+1 or -1 for the side of each point that sees the sky, 0 where neither does. Only rays that rise are asked."""
    sky = _directions()
    seen = np.zeros((len(points), 2))
    asked = np.zeros((len(points), 2))
    for ray in sky:
        along = normals @ ray
        for k, side in enumerate((1.0, -1.0)):
            ahead = np.flatnonzero(side * along > 0.2)
            blocked = tree.is_blocked(points[ahead], np.tile(ray, (len(ahead), 1)), 100.0, 1e-3)
            asked[ahead, k] += 1.0
            seen[ahead, k] += ~blocked
    share = seen / np.maximum(asked, 1.0)
    best = np.where(share[:, 0] >= share[:, 1], 1, -1)
    return np.where(share.max(axis=1) >= OPEN_SHARE, best, 0)


def _directions() -> Points:
    made = []
    for z, n in ((0.05, 12), (0.4, 10), (0.75, 7), (0.98, 3)):
        turn = np.arange(n) * 2.0 * np.pi / n + z
        made.append(np.column_stack([np.cos(turn), np.sin(turn), np.full(n, z / np.sqrt(1.0 - z * z))]))
    rays = np.concatenate(made)
    return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True))


def _outer_facets(mesh: Scan, facets: NDArray[np.int64], is_outer: Mask, side: NDArray[np.int64]) -> Scan:
    """The facets most of whose samples are outer, wound outward; facets too small for a sample go with the mesh."""
    votes = np.bincount(facets[is_outer], minlength=mesh.n_faces)
    total = np.bincount(facets, minlength=mesh.n_faces)
    turned = np.bincount(facets, weights=side, minlength=mesh.n_faces) < 0
    keep = votes * 2 >= np.maximum(total, 1)
    lone = total == 0
    if lone.any() and keep.any():
        centre = mesh.vertices[mesh.faces].mean(axis=1)
        _, near = cKDTree(centre[~lone]).query(centre[lone])
        keep[lone] = keep[~lone][near]
        turned[lone] = turned[~lone][near]
    faces = mesh.faces[keep].copy()
    back = turned[keep]
    faces[back] = faces[back][:, ::-1]
    a, b, c = (mesh.vertices[faces[:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return Scan(mesh.vertices, np.ascontiguousarray(faces[area > 1e-12]))


def _off_the_turned_surface(points: Points) -> Mask:
    """Which samples lie where most of a turn about the axis meets no surface."""
    r, turn = np.hypot(points[:, 0], points[:, 1]), np.arctan2(points[:, 1], points[:, 0])
    bins = np.minimum((turn + np.pi) / (2.0 * np.pi) * TURN_BINS, TURN_BINS - 1).astype(np.int64)
    by_bin = [
        cKDTree(np.column_stack([r, points[:, 2]])[bins == k]) if (bins == k).any() else None
        for k in range(TURN_BINS)
    ]
    here = np.column_stack([r, points[:, 2]])
    met = np.zeros(len(points))
    for tree in by_bin:
        if tree is not None:
            met += tree.query(here, distance_upper_bound=1.5 * SAMPLE_MM)[0] < max(INDEX_MM, SAMPLE_MM)
    return np.asarray(met < TURN_BINS / 2)


def _side_radii(points: Points, normals: Points) -> tuple[float, ...]:
    """The commonest distances, along the normal, of the sides from the axis."""
    aside = np.hypot(normals[:, 0], normals[:, 1])
    r = np.hypot(points[:, 0], points[:, 1])
    is_side = (aside > 0.8) & (r > 0.3)
    if is_side.sum() < 100:
        return ()
    inward = np.einsum("ij,ij->i", points[is_side, :2], normals[is_side, :2]) / (r[is_side] * aside[is_side])
    rho = (r[is_side] / aside[is_side])[inward > 0.97]
    radii: list[float] = []
    while len(rho) > LEAST_RADIUS_SHARE * is_side.sum():
        counts = np.bincount((rho / RADIUS_STEP_MM).astype(np.int64))
        centre = float(np.median(rho[(rho / RADIUS_STEP_MM).astype(np.int64) == counts.argmax()]))
        near = np.abs(rho - centre) < 1.5 * RADIUS_STEP_MM
        if near.sum() < LEAST_RADIUS_SHARE * is_side.sum():
            break
        radii.append(float(rho[near].mean()))
        rho = rho[~near]
    return tuple(radii)


def _creases(outer: Scan) -> Points:
    """Points along the edges where the outer surface turns by more than CREASE_DEG, and along none that is open."""
    faces = outer.faces.astype(np.int64)
    edges = np.sort(np.concatenate([faces[:, (0, 1)], faces[:, (1, 2)], faces[:, (2, 0)]]), axis=1)
    owner = np.tile(np.arange(len(faces)), 3)
    key = edges[:, 0] * outer.n_vertices + edges[:, 1]
    order = np.argsort(key, kind="stable")
    pair = np.flatnonzero(key[order][1:] == key[order][:-1])
    one, two = order[pair], order[pair + 1]
    a, b, c = (outer.vertices[faces[:, k]] for k in range(3))
    n = np.cross(b - a, c - a)
    n /= np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-15)
    sharp = np.einsum("ij,ij->i", n[owner[one]], n[owner[two]]) < np.cos(np.radians(CREASE_DEG))
    ends = outer.vertices[edges[one[sharp]]]
    made = [_along(start, end) for start, end in ends]
    return np.concatenate(made) if made else np.zeros((0, 3))


def _along(start: Floats, end: Floats) -> Points:
    n = max(2, int(np.ceil(np.linalg.norm(end - start) / 0.05)) + 1)
    return np.asarray(start + np.linspace(0.0, 1.0, n)[:, None] * (end - start))

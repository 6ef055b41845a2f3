"""Closed forms as meshes, to measure on: spheres, boxes, caps, with scatter, holes and turned parts on demand."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from server.metrology.scan import Points, Scan


def scan_of(vertices: Points, faces: NDArray[np.integer]) -> Scan:
    """A scan of just those vertices that are in use."""
    used, flat = np.unique(faces, return_inverse=True)
    return Scan(np.asarray(vertices, float)[used], flat.reshape(-1, 3).astype(np.int32))


def sphere(radius_mm: float = 12.0, subdivisions: int = 5) -> Scan:
    mesh = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius_mm)
    return scan_of(mesh.vertices, mesh.faces)


def box(a: float, b: float, c: float) -> Scan:
    mesh = trimesh.creation.box(extents=(a, b, c))
    return scan_of(mesh.vertices, mesh.faces)


def kept(scan: Scan, keep: NDArray[np.bool_]) -> Scan:
    """The facets chosen, as a scan."""
    return scan_of(scan.vertices, scan.faces[keep])


def centres(scan: Scan) -> Points:
    return scan.vertices[scan.faces].mean(axis=1)


def cap(radius_mm: float = 25.0, height_mm: float = 25.0, subdivisions: int = 6) -> Scan:
    """The top of a sphere above its centre, open below: convex outward like a jaw seen from the scanner."""
    whole = sphere(radius_mm, subdivisions)
    return kept(whole, centres(whole)[:, 2] > radius_mm - height_mm)


def scattered(scan: Scan, sigma_mm: float, seed: int = 5) -> Scan:
    rng = np.random.default_rng(seed)
    return Scan(scan.vertices + rng.normal(scale=sigma_mm, size=scan.vertices.shape), scan.faces)


def joined(*scans: Scan) -> Scan:
    offsets = np.cumsum([0, *(s.n_vertices for s in scans[:-1])])
    faces = [s.faces + offset for s, offset in zip(scans, offsets, strict=True)]
    return scan_of(np.concatenate([s.vertices for s in scans]), np.concatenate(faces))


def turned(scan: Scan, which: NDArray[np.bool_] | None = None) -> Scan:
    faces = scan.faces.copy()
    chosen = np.ones(scan.n_faces, bool) if which is None else which
    faces[chosen] = faces[chosen][:, (0, 2, 1)]
    return Scan(scan.vertices, faces)


def moved(scan: Scan, seed: int = 3) -> Scan:
    """The scan turned and shifted at random, rigidly."""
    rng = np.random.default_rng(seed)
    matrix = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    return Scan(scan.vertices @ matrix.T + rng.normal(scale=40.0, size=3), scan.faces)


def renumbered(scan: Scan, seed: int = 4) -> Scan:
    rng = np.random.default_rng(seed)
    order = rng.permutation(scan.n_vertices)
    place = np.empty(scan.n_vertices, np.int32)
    place[order] = np.arange(scan.n_vertices, dtype=np.int32)
    return Scan(scan.vertices[order], place[scan.faces][rng.permutation(scan.n_faces)])


def on_a_base(scan: Scan, up: NDArray[np.float64], below_mm: float, *, is_flat: bool = True) -> Scan:
    """An open scan closed by a wall all round, upright along the unit vector `up`, and a floor that far below its lowest
    point, with a facet under each of its own; not flat: the floor a copy of the scan that much lower."""
    height = scan.vertices @ up
    fall = height - (height.min() - below_mm) if is_flat else np.full(len(height), below_mm)
    foot = scan.vertices - fall[:, None] * up
    known = {(a, b) for a, b in scan.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).tolist()}
    border = np.array([(a, b) for a, b in known if (b, a) not in known], np.int32)
    a, b, n = border[:, 0], border[:, 1], len(scan.vertices)
    wall = np.concatenate([np.stack([b, a, a + n], -1), np.stack([b, a + n, b + n], -1)])
    return Scan(
        np.vstack([scan.vertices, foot]),
        np.vstack([scan.faces, wall, scan.faces[:, ::-1] + n]).astype(np.int32),
    )

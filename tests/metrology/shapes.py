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

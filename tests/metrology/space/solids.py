"""Closed forms to aim at: boxes with hollows, and bodies to stand in them."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from server.metrology.bodies.reference import ReferenceBody, reference_body
from server.metrology.bvh import BoxTree
from server.metrology.registration.surface import Surface
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.shapes import scan_of, turned

Floats = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])


def surface(scan: Scan) -> Surface:
    return Surface(topology_of(scan), BoxTree(scan))


def of(mesh: trimesh.Trimesh) -> Scan:
    return scan_of(np.asarray(mesh.vertices), np.asarray(mesh.faces))


def block(
    size_mm: tuple[float, float, float], middle: tuple[float, float, float], edge_mm: float = 0.5
) -> Scan:
    """A box with facets small enough to be told apart."""
    mesh = trimesh.creation.box(extents=size_mm)
    mesh.apply_translation(middle)
    return of(mesh.subdivide_to_size(edge_mm))


def post(radius_mm: float = 2.0, height_mm: float = 5.0) -> Scan:
    """A body like a cylinder with a flat: open below, its seat at the origin, its axis up."""
    turns = np.linspace(0.0, 2.0 * np.pi, 145)[:-1]
    heights = np.linspace(0.0, height_mm, 26)
    r = np.full((len(heights), len(turns)), radius_mm)
    x, y = r * np.cos(turns), r * np.sin(turns)
    x = np.where(heights[:, None] > 0.6 * height_mm, np.minimum(x, 0.8 * radius_mm), x)
    side = np.stack([x, y, np.broadcast_to(heights[:, None], x.shape)], axis=-1).reshape(-1, 3)
    n, m = len(heights), len(turns)
    number = np.arange(n * m).reshape(n, m)
    a, b = number[:-1], np.roll(number[:-1], -1, axis=1)
    c, d = np.roll(number[1:], -1, axis=1), number[1:]
    faces = [np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))]
    top = n * m
    last = number[-1]
    faces.append(np.stack([last, np.roll(last, -1), np.full(m, top)], -1))
    return scan_of(np.vstack([side, [[0.0, 0.0, height_mm]]]), np.concatenate(faces))


def ready_post(radius_mm: float = 2.0, height_mm: float = 5.0) -> ReferenceBody:
    return reference_body("post", post(radius_mm, height_mm))


def hollowed(outer: Scan, *hollows: Scan) -> Scan:
    """A solid with closed hollows in it, whose walls look into them."""
    parts = [outer, *(turned(h) for h in hollows)]
    offsets = np.cumsum([0, *(p.n_vertices for p in parts[:-1])])
    faces = [p.faces + o for p, o in zip(parts, offsets, strict=True)]
    return Scan(np.concatenate([p.vertices for p in parts]), np.concatenate(faces).astype(np.int32))


def cylinder(radius_mm: float, low_mm: float, high_mm: float) -> Scan:
    mesh = trimesh.creation.cylinder(radius=radius_mm, height=high_mm - low_mm, sections=256)
    mesh.apply_translation((0.0, 0.0, 0.5 * (low_mm + high_mm)))
    return of(mesh)

"""A field of tissue with bodies on it, made for these tests alone: other bodies than the demo's, exact surfaces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.bodies import BodyKind, Flat, solid_of
from seed_data.phantoms.mesher import mesh_of
from seed_data.phantoms.reference_mesh import reference_mesh
from server.metrology.bodies.finding import Surface
from server.metrology.bodies.reference import ReferenceBody, reference_body
from server.metrology.rigid import apply, inverse, small_motion
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.bodies.angular import OtherBody

Floats = NDArray[np.float64]

STEPPED = BodyKind(
    "stepped",
    ((2.6, 0.0), (2.6, 0.8), (1.7, 1.4), (1.7, 4.6), (1.2, 5.2), (0.0, 5.2)),
    (Flat(0.0, 1.1, 2.4),),
    closed=True,
    may_stay_in_mouth=False,
)
CONE = BodyKind(
    "cone",
    ((2.3, 0.0), (1.5, 7.0), (0.0, 7.0)),
    (Flat(0.0, 1.15, 3.5),),
    closed=False,
    may_stay_in_mouth=False,
)
SHORT = BodyKind(
    "short",
    ((2.0, 0.0), (2.0, 3.7), (1.8, 4.0), (0.0, 4.0)),
    (Flat(0.0, 1.4, 2.8),),
    closed=True,
    may_stay_in_mouth=False,
)
GRID = small_motion(np.array([0.31, 0.52, 0.23, 0.0, 0.0, 0.0]))
KINDS = {kind.id: kind for kind in (STEPPED, CONE, SHORT)}


def reference(kind: BodyKind) -> ReferenceBody:
    return reference_body(kind.id, reference_mesh(kind))


@dataclass(frozen=True, slots=True)
class Scene:
    """surface: as scanned, in a frame of its own; poses: by body, its kind and T_scan_body."""

    surface: Surface
    poses: tuple[tuple[str, Floats], ...]


def scene(
    standing: Sequence[tuple[BodyKind | OtherBody, tuple[float, float], float]],
    *,
    sigma_mm: float = 0.0,
    spacing_mm: float = 0.3,
    seed: int = 1,
) -> Scene:
    """Tissue as a gentle ridge along y, with bodies on it: kind, place (x, y) in mm, lean about y in degrees."""
    poses = [_pose(place, lean) for _, place, lean in standing]
    solids = [kind if isinstance(kind, OtherBody) else solid_of(kind, root_mm=3.0) for kind, _, _ in standing]

    def field(p: Floats) -> Floats:
        tissue = (p[:, 2] + 0.03 * p[:, 0] ** 2) / np.sqrt(1.0 + (0.06 * p[:, 0]) ** 2)
        for T, solid in zip(poses, solids, strict=True):
            tissue = np.minimum(tissue, solid.distance(apply(inverse(T), p)))
        return np.asarray(tissue, dtype=np.float64)

    ys = [place[1] for _, place, _ in standing] or [0.0]
    low, high = np.array([-9.0, min(ys) - 9.0, -4.0]), np.array([9.0, max(ys) + 9.0, 9.0])
    mesh = mesh_of(
        field, low_mm=low, high_mm=high, spacing_mm=spacing_mm, turn=GRID[:3, :3], nudge=np.full(3, 0.37)
    )
    inner = np.abs(mesh.vertices_mm[:, :2] - (low + high)[:2] / 2.0) < (high - low)[:2] / 2.0 - 1.5
    mesh, _ = mesh.cut_to(inner.all(axis=1))
    rng = np.random.default_rng(seed)
    topology = topology_of(Scan(mesh.vertices_mm, mesh.faces.astype(np.int32)))
    lift = sigma_mm * rng.standard_normal(len(mesh.vertices_mm))
    frame = small_motion(np.array([0.7, -1.9, 0.4, 31.0, -12.0, 55.0]))
    moved = apply(frame, mesh.vertices_mm + lift[:, None] * topology.vertex_normals)
    return Scene(
        surface_of(Scan(moved, mesh.faces.astype(np.int32))),
        tuple((kind.id, frame @ T) for (kind, _, _), T in zip(standing, poses, strict=True)),
    )


def surface_of(scan: Scan) -> Surface:
    topology = topology_of(scan)
    return Surface(scan.vertices, topology.vertex_normals, topology.vertex_areas_mm2, scan.faces)


def without(surface: Surface, gone: NDArray[np.bool_]) -> Surface:
    """The scene less the vertices named, as if they had not been caught."""
    faces = surface.faces[~gone[surface.faces].any(axis=1)]
    used, flat = np.unique(faces, return_inverse=True)
    return surface_of(Scan(surface.points[used], flat.reshape(-1, 3).astype(np.int32)))


def _pose(place: tuple[float, float], lean_deg: float) -> Floats:
    T = small_motion(np.array([0.0, np.radians(lean_deg), 0.0, 0.0, 0.0, 0.0]))
    T = T @ small_motion(np.array([0.0, 0.0, 0.3 * (1.0 + place[1]), 0.0, 0.0, 0.0]))
    T[:3, 3] = (place[0], place[1], 0.4 - 0.03 * place[0] ** 2)
    return T

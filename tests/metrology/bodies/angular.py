"""Bodies that are no surfaces of revolution, made for these tests alone: prisms and a stem with a crosspiece, exact."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from server.metrology.bodies.reference import ReferenceBody, reference_body
from server.metrology.scan import Scan

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class OtherBody:
    """mesh: the surface in the body's frame, mm; distance: of (n, 3) points to it, negative inside, exact on the surface."""

    id: str
    mesh: Scan
    distance: Callable[[Floats], Floats]

    def reference(self) -> ReferenceBody:
        return reference_body(self.id, self.mesh)


def prism(corners: int, half_mm: float, height_mm: float, *, marked: bool = True) -> OtherBody:
    """A prism whose sides lie half_mm from the axis, one of them towards +x; marked: its upper edge there is cut off at
    45 degrees."""
    planes = [*_sides(corners, half_mm), (np.array([0.0, 0.0, 1.0]), height_mm)]
    if marked:
        slant = np.array([1.0, 0.0, 1.0]) / np.sqrt(2.0)
        planes.append((slant, float(slant @ (half_mm, 0.0, height_mm)) - 1.1))
    return _within(f"prism-{corners}", planes)


def slanted() -> OtherBody:
    """A plain post of 2 mm radius, its top one slant of 35 degrees that falls toward +x: nothing else tells its height."""
    down = np.radians(35.0)
    top = np.array([np.sin(down), 0.0, np.cos(down)])
    return _within("slanted", [*_sides(40, 2.0), (top, float(top @ (0.0, 0.0, 7.0)))])


def _sides(corners: int, half_mm: float) -> list[tuple[Floats, float]]:
    turns = np.arange(corners) * 2.0 * np.pi / corners
    return [(np.array([np.cos(turn), np.sin(turn), 0.0]), half_mm) for turn in turns]


def _within(name: str, planes: list[tuple[Floats, float]]) -> OtherBody:
    """The solid within planes, each by its normal and its distance from the seat."""
    normals, far = np.array([n for n, _ in planes]), np.array([d for _, d in planes])

    def distance(p: Floats) -> Floats:
        return np.asarray((p @ normals.T - far).max(axis=1))

    return OtherBody(name, _hull_of(normals, far), distance)


def _hull_of(normals: Floats, far: Floats) -> Scan:
    """The solid within all planes and above the seat."""
    n, d = np.vstack([normals, (0.0, 0.0, -1.0)]), np.append(far, 0.0)
    points = []
    for a in range(len(n)):
        for b in range(a):
            for c in range(b):
                m = n[[a, b, c]]
                if abs(np.linalg.det(m)) > 1e-9:
                    points.append(np.linalg.solve(m, d[[a, b, c]]))
    corners = np.array([p for p in points if (n @ p <= d + 1e-9).all()])
    return _scan(trimesh.convex.convex_hull(corners))


def crosspiece() -> OtherBody:
    """A stem of 2 mm radius and 4 mm height that carries a bar, longer to one side; two solids that run into each other."""
    stem = trimesh.creation.cylinder(2.0, 4.5, sections=256)
    stem.apply_translation((0.0, 0.0, 2.25))
    size, middle = np.array([9.0, 3.0, 2.4]), np.array([1.5, 0.0, 5.0])
    bar = trimesh.creation.box(size)
    bar.apply_translation(middle)

    def distance(p: Floats) -> Floats:
        round_ = np.maximum(np.hypot(p[:, 0], p[:, 1]) - 2.0, p[:, 2] - 4.5)
        return np.asarray(np.minimum(round_, (np.abs(p - middle) - 0.5 * size).max(axis=1)))

    return OtherBody("crosspiece", _scan(trimesh.util.concatenate([stem, bar])), distance)


def _scan(mesh: trimesh.Trimesh) -> Scan:
    return Scan(np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.int32))

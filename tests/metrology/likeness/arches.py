"""Closed-form records: an arch as a bent half pipe, with posts, crowns or nothing on it; what stands alone; what is closed."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from server.metrology.scan import Scan
from tests.metrology.shapes import joined, kept, scan_of

Floats = NDArray[np.float64]

STEP_MM = 0.4


def sheet(u_mm: Floats, v_mm: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """The corners (n, 2) of a grid over u and v, and its facets."""
    u, v = np.meshgrid(u_mm, v_mm, indexing="ij")
    number = np.arange(u.size).reshape(u.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    return np.stack([u.ravel(), v.ravel()], axis=1), faces


def ridge(*, crowns: int = 0) -> Scan:
    """A bow of 24 mm radius with a round crest, 5 mm wide and 9 mm high; on it so many crowns, 6 by 9 mm and rounded
    above, with a crease around each."""
    uv, faces = sheet(np.arange(-48.0, 48.0, STEP_MM), np.arange(-11.0, 11.0, STEP_MM))
    height = 9.0 * np.exp(-((uv[:, 1] / 5.0) ** 2))
    for middle in np.linspace(-42.0, 42.0, crowns) if crowns else ():
        away = np.hypot((uv[:, 0] - middle) / 3.0, uv[:, 1] / 4.5)
        height = np.maximum(height, 15.5 - 6.0 * away**4)
    angle, out = uv[:, 0] / 24.0, 24.0 + uv[:, 1]
    return scan_of(np.stack([out * np.sin(angle), out * np.cos(angle), height], axis=1), faces[:, ::-1])


def post(radius_mm: float = 2.0, height_mm: float = 7.0, *, turn: float = 1.0) -> Scan:
    """An upright cylinder with a flat top from z = 0 up; turn: of its wall, the share of the turn that is there."""
    around = np.linspace(0.0, 2.0 * np.pi, 49)
    uv, faces = sheet(around, np.arange(0.0, height_mm + 0.01, 0.25))
    wall = np.stack([radius_mm * np.cos(uv[:, 0]), radius_mm * np.sin(uv[:, 0]), uv[:, 1]], axis=1)
    middle = wall[faces].mean(axis=1)
    share = np.arctan2(middle[:, 1], middle[:, 0]) / (2.0 * np.pi) % 1.0
    wall_scan = scan_of(wall, faces[share < turn])
    disc, facets = sheet(np.linspace(0.05, radius_mm, 8), around)
    top = np.stack(
        [disc[:, 0] * np.cos(disc[:, 1]), disc[:, 0] * np.sin(disc[:, 1]), np.full(len(disc), height_mm)],
        axis=1,
    )
    return joined(wall_scan, scan_of(top, facets))


def along_the_bow(count: int, of: Scan, lift_mm: float = 8.5) -> list[Scan]:
    """Copies of a thing upright on the crest of `ridge`."""
    angles = np.linspace(-1.2, 1.2, count)
    places = np.stack([24.0 * np.sin(angles), 24.0 * np.cos(angles), np.full(count, lift_mm)], axis=1)
    return [Scan(of.vertices + place, of.faces) for place in places]


def with_posts(count: int, **shape: float) -> Scan:
    """The bare ridge with posts standing on it."""
    return joined(ridge(), *along_the_bow(count, post(**shape)))


def half(scan: Scan, *, left: bool) -> Scan:
    """The facets on one side of the middle."""
    x = scan.vertices[scan.faces][:, :, 0].mean(axis=1)
    return kept(scan, x < 0 if left else x > 0)


def band() -> Scan:
    """A quarter of a cylinder wall of 30 mm radius, 20 mm high, parted along the middle: two jaws from the cheek's side."""
    uv, faces = sheet(np.arange(-0.8, 0.8, 0.015), np.arange(-10.0, 10.0, STEP_MM))
    at = np.stack([30.0 * np.sin(uv[:, 0]), 30.0 * np.cos(uv[:, 0]), uv[:, 1]], axis=1)
    apart = np.abs(at[faces][:, :, 2].mean(axis=1)) > 0.5
    return scan_of(at, faces[apart][:, ::-1])


def slab() -> Scan:
    """A closed body: a flat ball, 50 by 40 by 16 mm."""
    mesh = trimesh.creation.icosphere(subdivisions=6, radius=1.0)
    return scan_of(mesh.vertices * (25.0, 20.0, 8.0), mesh.faces)

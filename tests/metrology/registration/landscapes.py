"""Surfaces given by a formula, meshed on grids of their own, so that two scans of one share no vertex and no noise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from server.metrology.bvh import BoxTree
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply
from server.metrology.scan import Scan
from server.metrology.topology import topology_of

Floats = NDArray[np.float64]
Height = Callable[[Floats, Floats], Floats]


def hills(seed: int) -> Height:
    """Forty bumps and hollows of 3 to 7 mm, up to 4 mm high: no two landscapes are alike, none is like itself moved."""
    rng = np.random.default_rng(seed)
    at, size = rng.uniform(-34.0, 34.0, (40, 2)), rng.uniform(3.0, 7.0, 40)
    tall = rng.uniform(-4.0, 4.0, 40)

    def height(x: Floats, y: Floats) -> Floats:
        out = np.zeros_like(x)
        for (u, v), s, h in zip(at, size, tall, strict=True):
            out += h * np.exp(-((x - u) ** 2 + (y - v) ** 2) / (2.0 * s * s))
        return out

    return height


def egg_box(x: Floats, y: Floats) -> Floats:
    """The same again every 10 mm."""
    return np.asarray(1.5 * np.cos(0.2 * np.pi * x) * np.cos(0.2 * np.pi * y))


def flat(x: Floats, _y: Floats) -> Floats:
    return np.zeros_like(x)


def gutter(x: Floats, _y: Floats) -> Floats:
    """A cylinder of 40 mm radius along y."""
    return np.asarray(np.sqrt(np.maximum(1600.0 - x * x, 0.0)) - 40.0)


def meshed(
    height: Height,
    seed: int,
    *,
    half_mm: tuple[float, float] = (30.0, 22.0),
    centre_mm: tuple[float, float] = (0.0, 0.0),
    noise_mm: float = 0.01,
    spacing_mm: float = 0.5,
    change: Height | None = None,
    is_mirrored: bool = False,
    is_turned: bool = False,
) -> Scan:
    """A scan of the landscape on a grid turned and shifted by the seed, in the landscape's own frame."""
    rng = np.random.default_rng(seed)
    reach = 1.5 * max(half_mm)
    n = int(2.0 * reach / spacing_mm)
    axis = (np.arange(n) - n / 2.0 + rng.uniform(size=1)) * spacing_mm
    i, j = np.meshgrid(axis, axis, indexing="ij")
    angle = rng.uniform(0.0, np.pi)
    x = np.cos(angle) * i - np.sin(angle) * j + centre_mm[0]
    y = np.sin(angle) * i + np.cos(angle) * j + centre_mm[1]
    z = height(x, y) + (change(x, y) if change else 0.0)
    points = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    points[:, 2] += rng.normal(scale=noise_mm, size=len(points))
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)[None]).ravel()
    faces = np.concatenate([np.stack([a, a + n, a + n + 1], 1), np.stack([a, a + n + 1, a + 1], 1)])
    ragged = 0.6 * np.sin(points[:, 0] + seed) + 0.6 * np.cos(1.3 * points[:, 1] - seed)
    inside = np.abs(points[:, :2] - centre_mm) < np.array(half_mm) + ragged[:, None]
    faces = faces[inside.all(axis=1)[faces].all(axis=1)]
    used, flat_faces = np.unique(faces, return_inverse=True)
    faces = flat_faces.reshape(-1, 3).astype(np.int32)
    points = points[used] * ((-1.0, 1.0, 1.0) if is_mirrored else (1.0, 1.0, 1.0))
    return Scan(points, faces[:, ::-1].copy() if is_mirrored != is_turned else faces)


def frame(seed: int) -> Floats:
    """A rigid motion drawn evenly from all directions."""
    T = np.eye(4)
    T[:3, :3] = Rotation.random(random_state=seed).as_matrix()
    T[:3, 3] = np.random.default_rng(seed).uniform(-60.0, 60.0, 3)
    return T


def surface(scan: Scan, T: Floats | None = None) -> Surface:
    """The scan, moved, made ready."""
    moved = scan if T is None else Scan(apply(T, scan.vertices), scan.faces)
    return Surface(topology_of(moved), BoxTree(moved))

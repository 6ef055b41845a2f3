"""What scanning does to a true surface: white and correlated noise, stitching drift along the arch, soft tags, dust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seed_data.phantoms.dice import Dice, pick
from seed_data.phantoms.rigid import about, any_direction
from seed_data.phantoms.surface import Floats, Ints, border_edges


@dataclass(frozen=True, slots=True)
class Noise:
    """RMS along the normal: white_mm from point to point, correlated_mm over patches `patch_mm` wide."""

    white_mm: float
    correlated_mm: float
    patch_mm: float

    @property
    def rms_mm(self) -> float:
        return float(np.hypot(self.white_mm, self.correlated_mm))


@dataclass(frozen=True, slots=True)
class Drift:
    """Stitching error that grows along the arch from where the scan began: end_mm (3,) at the far end."""

    end_mm: Floats
    from_s_mm: float
    length_mm: float

    def at(self, s_mm: Floats) -> Floats:
        """Shift at arc lengths (n,), (n, 3)."""
        way = np.clip(np.abs(s_mm - self.from_s_mm) / self.length_mm, 0.0, 1.2) ** 1.5
        return np.asarray(way[:, None] * self.end_mm, dtype=np.float64)


def draw_noise(rng: Dice, low_mm: float, high_mm: float) -> Noise:
    """Noise of a total between the two, split at random into white and correlated."""
    total, share = pick(rng, low_mm, high_mm), pick(rng, 0.1, 0.5)
    return Noise(total * np.sqrt(1.0 - share**2), total * share, pick(rng, 2.5, 7.0))


def draw_drift(rng: Dice, *, most_mm: float, half_length_mm: float = 50.0) -> Drift:
    side = 1.0 if rng.random() < 0.5 else -1.0
    size = pick(rng, 0.2, 1.0) * most_mm
    return Drift(any_direction(rng) * size, side * half_length_mm, 2.0 * half_length_mm)


def noise_along_normals(rng: Dice, noise: Noise, points: Floats) -> Floats:
    """Offsets (n,) at points (n, 3)."""
    waves = 48
    k = np.stack([any_direction(rng) for _ in range(waves)]) * (
        2 * np.pi / (noise.patch_mm * rng.uniform(1.0, 2.2, (waves, 1)))
    )
    smooth = np.zeros(len(points))
    for row, phase in zip(k, rng.uniform(0.0, 2 * np.pi, waves), strict=True):
        smooth += np.sin(points @ row + phase)
    smooth *= np.sqrt(2.0 / waves)
    return np.asarray(
        noise.white_mm * rng.standard_normal(len(points)) + noise.correlated_mm * smooth, dtype=np.float64
    )


def soft_tags(rng: Dice, vertices: Floats, faces: Ints, count: int) -> Floats:
    """Offsets (n,) along the normals that curl the border up in a few places: cheek, lip or tongue caught at the edge."""
    border = np.unique(border_edges(faces))
    lift = np.zeros(len(vertices))
    if len(border) == 0:
        return lift
    for _ in range(count):
        at = vertices[border[int(rng.integers(len(border)))]]
        r2 = ((vertices - at) ** 2).sum(axis=1)
        lift += pick(rng, 0.3, 0.9) * np.exp(-r2 / (2.0 * pick(rng, 1.3, 2.2) ** 2))
    return lift


def specks(
    rng: Dice, vertices: Floats, normals: Floats, faces: Ints, count: int, spacing_mm: float
) -> list[tuple[Floats, Ints]]:
    """A few loose patches of 0.2 to 1 mm² that hover beyond the border, as moving cheeks leave them."""
    border = border_edges(faces)
    made = []
    for _ in range(count):
        a, b = border[int(rng.integers(len(border)))]
        n = normals[a]
        outward = np.cross(vertices[b] - vertices[a], n)
        outward /= max(float(np.linalg.norm(outward)), 1e-9)
        centre = vertices[a] + outward * pick(rng, 1.5, 3.5) + n * pick(rng, 1.5, 3.0)
        made.append(
            patch(
                rng,
                centre,
                about(any_direction(rng), pick(rng, 0.0, 0.5)) @ n,
                pick(rng, 0.3, 0.55),
                spacing_mm,
            )
        )
    return made


def patch(
    rng: Dice, centre: Floats, normal: Floats, radius_mm: float, spacing_mm: float
) -> tuple[Floats, Ints]:
    """A small disc of triangles, a little bent: vertices (n, 3) and faces (m, 3)."""
    x = np.cross(normal, [0.3, 0.8, 0.5])
    x /= np.linalg.norm(x)
    y = np.cross(normal, x)
    steps = max(int(np.ceil(radius_mm / spacing_mm)), 1)
    axis = np.linspace(-radius_mm, radius_mm, 2 * steps + 1)
    i, j = np.meshgrid(axis, axis, indexing="ij")
    keep = i * i + j * j <= (1.3 * radius_mm) ** 2
    bend = pick(rng, -0.08, 0.08) * (i * i + j * j)
    points = centre + i[..., None] * x + j[..., None] * y + bend[..., None] * normal
    points = points.reshape(-1, 3) + 0.01 * rng.standard_normal((len(axis) ** 2, 3))
    n = len(axis)
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)[None]).ravel()
    faces = np.concatenate([np.stack([a, a + n, a + n + 1], 1), np.stack([a, a + n + 1, a + 1], 1)])
    faces = faces[keep.ravel()[faces].all(axis=1)]
    used, renumbered = np.unique(faces, return_inverse=True)
    return points[used], renumbered.reshape(-1, 3).astype(np.int64)

"""Two plates that look at each other, and spheres: bites whose every number is known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from server.metrology.scan import Scan

Floats = NDArray[np.float64]


def plate(half_mm: float, z_mm: float, *, looks_down: bool = False, spacing_mm: float = 0.5) -> Scan:
    """A square plate at a height, on a grid that holds its edges exactly."""
    steps = np.linspace(-half_mm, half_mm, round(2.0 * half_mm / spacing_mm) + 1)
    x, y = np.meshgrid(steps, steps, indexing="ij")
    n = len(steps)
    points = np.stack([x, y, np.full_like(x, z_mm)], axis=-1).reshape(-1, 3)
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)[None]).ravel()
    faces = np.concatenate([np.stack([a, a + n, a + n + 1], 1), np.stack([a, a + n + 1, a + 1], 1)])
    return Scan(points, np.ascontiguousarray(faces[:, ::-1] if looks_down else faces).astype(np.int32))


def lens_volume_mm3(radius_mm: float, apart_mm: float) -> float:
    """What two spheres of one radius have in common, their middles apart by less than twice that. Closed form."""
    cap = radius_mm - apart_mm / 2.0
    return float(2.0 * np.pi * cap**2 * (3.0 * radius_mm - cap) / 3.0)


def cap_area_mm2(radius_mm: float, apart_mm: float) -> float:
    """Of one sphere's surface inside the other. Closed form (Archimedes)."""
    return float(2.0 * np.pi * radius_mm * (radius_mm - apart_mm / 2.0))

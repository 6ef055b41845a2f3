"""Where a ray meets a surface as it is without the scatter of single points: on a curved surface through the points about the
place where it meets a facet.

Local quadratic regression (Cleveland 1979), over the widest patch in which the points lie on such a surface as closely as
their scatter lets them; where they do on none, as across an edge or a fissure, the facet itself stands.

Not seen: scatter that is alike over a millimetre and more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from server.metrology.registration.surface import Surface

Floats = NDArray[np.float64]

PATCHES_MM = (1.0, 0.8)
FEWEST = 12
MOST_SCATTERS = 2.0
"""Points that lie off the curved surface by more than so much of their scatter (root mean square) lie on no such surface."""
SAME_SIDE, LEAST_COSINE = 0.64, 0.1
"""A patch over which normals turn by more than 50° from their middle holds an edge; a ray within 6° of a surface grazes it."""
STEPS, STILL_MM, FAR_MM = 20, 1e-6, 0.5


def way_to_fitted(
    surface: Surface, origin: Floats, direction: Floats, way_mm: float, scatter_mm: float
) -> float:
    """The way from `origin` (3,) along `direction` (3,) unit, given the way to the facet that it meets, mm."""
    hit = origin + way_mm * direction
    away2 = ((surface.topology.scan.vertices - hit) ** 2).sum(axis=1)
    for patch_mm in PATCHES_MM:
        further = _further_mm(surface, np.flatnonzero(away2 < patch_mm**2), hit, direction, scatter_mm)
        if further is not None:
            return way_mm + further
    return way_mm


def _further_mm(
    surface: Surface, near: NDArray[np.int64], hit: Floats, direction: Floats, scatter_mm: float
) -> float | None:
    """How far behind the hit the ray meets the curved surface; None where the points lie on none."""
    points, normals = surface.topology.scan.vertices[near], surface.topology.vertex_normals[near]
    up = _mean(normals)
    if len(near) < FEWEST or abs(up @ direction) < LEAST_COSINE or (normals @ up).min() < SAME_SIDE:
        return None
    aside = np.cross(up, np.eye(3)[int(np.argmin(np.abs(up)))])
    aside /= np.linalg.norm(aside)
    axes = np.stack([aside, np.cross(up, aside), up])
    x, y, height = axes @ (points - hit).T
    away2 = x * x + y * y
    kernel = np.sqrt(np.clip(1.0 - away2 / (1.2 * away2.max()), 0.02, None))
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    fitted, *_ = np.linalg.lstsq(design * kernel[:, None], height * kernel, rcond=None)
    left2 = (kernel * (height - design @ fitted)) ** 2
    off = np.sqrt(left2.sum() / (kernel**2).sum() * len(points) / (len(points) - len(fitted)))
    return _met_mm(fitted, axes @ direction) if off <= MOST_SCATTERS * scatter_mm else None


def _mean(normals: Floats) -> Floats:
    total = normals.sum(axis=0)
    return np.asarray(total / max(float(np.linalg.norm(total)), 1e-12))


def _met_mm(fitted: Floats, way: Floats) -> float | None:
    """Where a ray from the origin along `way` (3,) meets the height given by (6,) coefficients, by Newton's method."""
    t = 0.0
    for _ in range(STEPS):
        x, y = t * way[0], t * way[1]
        off = t * way[2] - fitted @ (1.0, x, y, x * x, x * y, y * y)
        slope = way[2] - fitted @ (
            0.0,
            way[0],
            way[1],
            2 * x * way[0],
            x * way[1] + y * way[0],
            2 * y * way[1],
        )
        if abs(slope) < 1e-3:
            return None
        t -= off / slope
        if abs(t) > FAR_MM:
            return None
        if abs(off) < STILL_MM:
            return float(t)
    return None

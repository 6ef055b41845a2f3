"""Which way a denture bites, from its own teeth: square to the plane through edges and outer cusps."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from server.metrology.bvh import BoxTree
from server.metrology.space.outer_face import across_arch, crest_place

Floats = NDArray[np.float64]

MOST_STATIONS = 24
FEWEST = 9
MOST_TURNS, STILL = 4, 0.9999
NEAR_MM = 1.0
LEAST_COSINE = 0.8


def occlusal_of_teeth(
    tree: BoxTree,
    frame: tuple[Floats, Floats, Floats, Floats],
    curve: tuple[float, float, float],
    half_width_mm: float,
) -> Floats | None:
    """(3,) unit, toward the other jaw. frame: origin, side, front and a rough occlusal direction in the denture's frame; curve:
    of the arch there, half_width_mm how far it reaches to each side. None where too few teeth show."""
    origin, side, front, rough = frame
    x = np.linspace(-half_width_mm, half_width_mm, MOST_STATIONS)
    a, b, c = curve
    places = origin + np.outer(x, side) + np.outer(a + b * x + c * x * x, front)
    up = rough
    for _ in range(MOST_TURNS):
        found = [
            crest_place(tree, p, up, _square(across_arch(p, (origin, side, front), curve), up))
            for p in places
        ]
        crests = np.array([p for p in found if p is not None]).reshape(-1, 3)
        if len(crests) < FEWEST:
            return None
        before, up = up, _plane(crests, rough)
        if before @ up > STILL:
            break
    return up


def _square(v: Floats, up: Floats) -> Floats:
    out = v - (v @ up) * up
    return np.asarray(out / np.linalg.norm(out))


def _plane(points: Floats, up: Floats) -> Floats:
    """The normal of the plane near to which most of the points (n, 3) lie, on the side of `up` and not far from it: the base
    of the denture behind its last teeth lies beside it. Every three points are tried, then all near the best are used."""
    threes = points[np.array(list(combinations(range(len(points)), 3)))]
    normals = np.cross(threes[:, 1] - threes[:, 0], threes[:, 2] - threes[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-9)[:, None]
    normals *= np.sign(normals @ up)[:, None]
    off = np.abs((points[None] - threes[:, :1]) @ normals[:, :, None])[..., 0]
    agree = (off < NEAR_MM).sum(axis=1) - off.clip(max=NEAR_MM).mean(axis=1) / NEAR_MM
    best = int(np.where(normals @ up > LEAST_COSINE, agree, -np.inf).argmax())
    used = points[off[best] < NEAR_MM]
    normal = np.linalg.eigh(np.cov(used.T))[1][:, 0] if len(used) > 3 else normals[best]
    return np.asarray(normal if normal @ up > 0.0 else -normal)

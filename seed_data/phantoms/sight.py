"""What a scanner could see of a surface: from a set of directions, facing it steeply enough and with nothing before it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from seed_data.phantoms.rigid import frame_on
from seed_data.phantoms.surface import Flags, Floats, Ints, edges_of, pieces

PIXEL_MM = 0.45
GRAZING = 0.22
"""Cosine of the steepest angle at which a surface is still captured."""


def directions(up: Floats, polar_deg: tuple[float, ...], turns: int) -> Floats:
    """Directions from the surface to the scanner about `up`, (n, 3)."""
    frame = frame_on(up, np.array([0.3, 0.9, 0.1]))
    rows = []
    for k, polar in enumerate(np.radians(polar_deg)):
        azimuth = (np.arange(turns if polar > 0 else 1) + 0.5 * (k % 2)) * 2 * np.pi / turns
        ring = [
            np.sin(polar) * np.cos(azimuth),
            np.sin(polar) * np.sin(azimuth),
            np.full(len(azimuth), np.cos(polar)),
        ]
        rows.append(np.stack(ring, axis=1))
    return np.concatenate(rows) @ frame.T


def seen_from(vertices: Floats, normals: Floats, views: Floats) -> Flags:
    """Whether each vertex is seen from at least one of the directions."""
    seen = np.zeros(len(vertices), dtype=bool)
    for view in views:
        frame = frame_on(view, np.array([0.31, 0.17, 0.93]))
        local = np.ascontiguousarray(vertices @ frame)
        facing = np.ascontiguousarray(normals @ view)
        _mark(local, facing, seen)
    return seen


@njit(cache=True, nogil=True)
def _mark(p: Any, facing: Any, seen: Any) -> None:
    """Marks what is seen along -z: nothing in the pixel, or in the eight around it, lies clearly before it."""
    low_x, low_y = p[:, 0].min(), p[:, 1].min()
    nx = int((p[:, 0].max() - low_x) / PIXEL_MM) + 3
    ny = int((p[:, 1].max() - low_y) / PIXEL_MM) + 3
    top = np.full((nx, ny), -1e9)
    for i in range(len(p)):
        x, y = int((p[i, 0] - low_x) / PIXEL_MM), int((p[i, 1] - low_y) / PIXEL_MM)
        top[x, y] = max(top[x, y], p[i, 2])
    for i in range(len(p)):
        if seen[i] or facing[i] < GRAZING:
            continue
        x, y = int((p[i, 0] - low_x) / PIXEL_MM), int((p[i, 1] - low_y) / PIXEL_MM)
        slope = np.sqrt(1.0 - facing[i] * facing[i]) / facing[i]
        if top[x, y] - p[i, 2] < 0.35 + 1.2 * PIXEL_MM * slope:
            seen[i] = True


def mended(faces: Ints, inside: Flags, seen: Flags, spare: Flags) -> Flags:
    """Which vertices a scan holds: seen ones, and unseen patches that the scanner bridges.

    A patch inside the scan is bridged, also where `spare` holds anywhere in it; a patch that reaches the rim is lost.
    """
    hidden = inside & ~seen
    edges = edges_of(faces)
    both = hidden[edges].all(axis=1)
    count, label = pieces(len(inside), edges[both])
    rim = np.zeros(len(inside), dtype=bool)
    rim[edges[inside[edges[:, 0]] != inside[edges[:, 1]]].ravel()] = True
    sizes = np.bincount(label[hidden], minlength=count)
    at_rim = np.bincount(label[hidden & rim], minlength=count) > 0
    spared = np.bincount(label[hidden & spare], minlength=count) > 0
    lost = at_rim & (sizes > 12) & ~spared
    return np.asarray(inside & ~(hidden & lost[label]), dtype=np.bool_)

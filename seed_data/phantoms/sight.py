"""What a scanner could see of a surface: from a set of directions, facing it steeply enough and with nothing before it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from scipy import ndimage

from seed_data.phantoms.rigid import frame_on
from seed_data.phantoms.surface import Flags, Floats, Ints, border_edges, edges_of, pieces

PIXEL_MM = 0.45
GRAZING = 0.22
"""Cosine of the steepest angle at which a surface is still captured."""
BEHIND_MM = 0.12


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


def seen_from(vertices: Floats, normals: Floats, views: Floats, part: Ints) -> Flags:
    """Whether each vertex is seen from at least one of the directions. part: the solid each belongs to; another
    solid hides what is but a little behind it."""
    seen = np.zeros(len(vertices), dtype=bool)
    for view in views:
        frame = frame_on(view, np.array([0.31, 0.17, 0.93]))
        local = np.ascontiguousarray(vertices @ frame)
        facing = np.ascontiguousarray(normals @ view)
        for k in range(int(part.max()) + 1):
            own = part == k
            hidden = _behind(local, own) if part.max() > 0 else np.zeros(len(local), dtype=bool)
            _mark(local, facing, hidden | ~own, seen)
    return seen


def _behind(p: Floats, own: Flags) -> Flags:
    """Which points of one solid lie behind the other, seen along -z."""
    low = p[:, :2].min(axis=0)
    cell = ((p[:, :2] - low) / PIXEL_MM).astype(np.int64) + 1
    shape = cell.max(axis=0) + 2
    top = np.full((int(shape[0]), int(shape[1])), -1e9)
    np.maximum.at(top, (cell[~own, 0], cell[~own, 1]), p[~own, 2])
    top = ndimage.grey_closing(top, size=(3, 3))
    return np.asarray(own & (top[cell[:, 0], cell[:, 1]] > p[:, 2] + BEHIND_MM), dtype=np.bool_)


@njit(cache=True, nogil=True)
def _mark(p: Any, facing: Any, hidden: Any, seen: Any) -> None:
    """Marks what is seen along -z: nothing in its pixel lies clearly before it. Hidden points neither see nor hide."""
    low_x, low_y = p[:, 0].min(), p[:, 1].min()
    nx = int((p[:, 0].max() - low_x) / PIXEL_MM) + 3
    ny = int((p[:, 1].max() - low_y) / PIXEL_MM) + 3
    top = np.full((nx, ny), -1e9)
    for i in range(len(p)):
        if not hidden[i]:
            x, y = int((p[i, 0] - low_x) / PIXEL_MM), int((p[i, 1] - low_y) / PIXEL_MM)
            top[x, y] = max(top[x, y], p[i, 2])
    for i in range(len(p)):
        if seen[i] or hidden[i] or facing[i] < GRAZING:
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


def without_gaps(faces: Ints, keep: Flags) -> Flags:
    """`keep`, and what it leaves out inside itself: everything not reached from the rim of the whole mesh."""
    edges = edges_of(faces)
    left_out = ~keep
    count, label = pieces(len(keep), edges[left_out[edges].all(axis=1)])
    outside = np.bincount(label[border_edges(faces).ravel()], minlength=count) > 0
    return np.asarray(keep | (left_out & ~outside[label]), dtype=np.bool_)

"""Exact triangle meshes of the scan bodies, as a catalogue holds them: sharp edges, sagitta about a micron."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.bodies import BodyKind, Flat
from server.metrology.scan import Scan

Floats = NDArray[np.float64]

TURN_STEPS = 120
ROW_MM = 1.0
TAPER_MM = 0.04
"""Rows are at most this much apart in radius where a flat crosses a taper, so that its curved edge is met."""


def reference_mesh(kind: BodyKind) -> Scan:
    """The reference body's surface above the seat, in its own frame, mm."""
    rings = _rings(kind)
    angles = _angles(kind, rings)
    rows = [_row(kind, r, z, angles, below) for r, z, below in rings]
    points = np.concatenate(rows)
    n = len(angles)
    faces = [_strip(k * n, (k + 1) * n, n) for k in range(len(rows) - 1)]
    faces.append(_fan((len(rows) - 1) * n, n, len(points), upward=True))
    points = np.vstack([points, [0.0, 0.0, kind.height_mm]])
    if kind.closed:
        faces.append(_fan(0, n, len(points), upward=False))
        points = np.vstack([points, [0.0, 0.0, 0.0]])
    return welded(points, np.concatenate(faces))


def welded(points: Floats, faces: NDArray[np.int64]) -> Scan:
    """Merges equal points (to a nanometre) and drops the facets that collapse, and points no facet uses."""
    key = np.round(points, 6)
    _, first, same = np.unique(key, axis=0, return_index=True, return_inverse=True)
    faces = same.reshape(-1)[faces]
    a, b, c = faces.T
    faces = faces[(a != b) & (b != c) & (c != a)]
    used, renumbered = np.unique(faces, return_inverse=True)
    return Scan(points[first][used], renumbered.reshape(-1, 3).astype(np.int32))


def _rings(kind: BodyKind) -> list[tuple[float, float, bool]]:
    """Radius, height, and whether the ring is the lower side of a ledge, from the seat to the top's rim."""
    corners = [c for c in kind.profile_mm if c[0] > 0.0]
    ledges = {f.from_z_mm for f in kind.flats}
    heights = {z for _, z in corners} | ledges
    for (r0, low), (r1, high) in pairwise(corners):
        taper = abs(r1 - r0) / TAPER_MM if high > min(ledges) else 0.0
        heights |= set(np.linspace(low, high, int(np.ceil(max((high - low) / ROW_MM, taper, 1.0))) + 1))
    r, z = np.array(corners).T
    rings = []
    for height in sorted(float(h) for h in heights):
        radius = float(np.interp(height, z, r))
        rings += [(radius, height, True)] if height in ledges else []
        rings.append((radius, height, False))
    return rings


def _angles(kind: BodyKind, rings: list[tuple[float, float, bool]]) -> Floats:
    """Directions of the columns: even ones, and those where a flat meets a ring."""
    angles = set(np.linspace(0.0, 2 * np.pi, TURN_STEPS, endpoint=False))
    for flat in kind.flats:
        for r, z, below in rings:
            if r > flat.distance_mm and _cuts(flat, z, below):
                half = float(np.arccos(flat.distance_mm / r))
                middle = np.radians(flat.azimuth_deg)
                angles |= {float(middle - half) % (2 * np.pi), float(middle + half) % (2 * np.pi)}
    ordered = np.array(sorted(angles))
    return np.asarray(ordered[np.concatenate([[True], np.diff(ordered) > 1e-6])], dtype=np.float64)


def _cuts(flat: Flat, z: float, below: bool) -> bool:
    return z > flat.from_z_mm or (z == flat.from_z_mm and not below)


def _row(kind: BodyKind, r: float, z: float, angles: Floats, below: bool) -> Floats:
    radius = np.full(len(angles), r)
    for flat in kind.flats:
        if _cuts(flat, z, below):
            towards = np.cos(angles - np.radians(flat.azimuth_deg))
            reach = np.where(towards > 1e-9, flat.distance_mm / np.maximum(towards, 1e-9), np.inf)
            radius = np.minimum(radius, reach)
    return np.stack([radius * np.cos(angles), radius * np.sin(angles), np.full(len(angles), z)], axis=1)


def _strip(low: int, high: int, n: int) -> NDArray[np.int64]:
    i = np.arange(n)
    j = (i + 1) % n
    lower = np.stack([low + i, low + j, high + j], axis=1)
    upper = np.stack([low + i, high + j, high + i], axis=1)
    return np.concatenate([lower, upper])


def _fan(ring: int, n: int, centre: int, *, upward: bool) -> NDArray[np.int64]:
    i = np.arange(n)
    j = (i + 1) % n
    middle = np.full(n, centre)
    return np.stack([ring + i, ring + j, middle] if upward else [ring + j, ring + i, middle], axis=1)

"""What an implant's axis meets on its way: the other jaw, and the place where it leaves the denture. Exact on the facets.

All in the frame of the surface that is asked, mm. A surface has its outside out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.registration.surface import Surface

Floats = NDArray[np.float64]

REACH_MM = 40.0
STEP_MM = 1e-6
"""A ray goes on this far behind a crossing; a crossing of two facets in their common edge is one."""
SAME_MM = 1e-3
MOST_CROSSINGS = 24
SLIVER_MM = 0.3
"""What the axis crosses within this way twice is a groove or a fold of the scan, no side of the denture."""
RING_RADII_MM = (0.75, 1.25, 1.75, 2.25, 2.75, 3.25)
RING_RAYS = 24
RING_SHARE = 0.75
"""Of a ring of rays around an open channel so many must meet the denture."""


@dataclass(frozen=True, slots=True)
class Crossings:
    """Where rays cross a surface: by ray (q, k), way_mm from its origin, inf after the last; is_leaving: the ray comes out
    of the solid there; facets, -1 after the last."""

    way_mm: Floats
    is_leaving: NDArray[np.bool_]
    facets: NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Exits:
    """Where rays leave a solid for good: way_mm (q,), nan where they do not; facets (q,), -1 there."""

    way_mm: Floats
    facets: NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class OpenChannel:
    """A channel that is open in the scan: way_mm is where the axis passes the plane of its rim; normal (3,) of that plane, out
    of the denture; spread_mm: one standard deviation of the rim about it; radius_mm: of the ring it was read from."""

    way_mm: float
    normal: Floats
    spread_mm: float
    radius_mm: float


def crossings(surface: Surface, origins: Floats, directions: Floats, reach_mm: float = REACH_MM) -> Crossings:
    """Every crossing of rays (q, 3) with a surface, the nearest first. directions: unit."""
    q = len(origins)
    ways = np.full((q, MOST_CROSSINGS), np.inf)
    facets = np.full((q, MOST_CROSSINGS), -1, dtype=np.int32)
    begun, live = np.zeros(q), np.arange(q)
    for k in range(MOST_CROSSINGS):
        starts = origins[live] + begun[live, None] * directions[live]
        hits = surface.tree.first_hits(starts, directions[live], reach_mm)
        way = hits.distance_mm + begun[live]
        met = (hits.facets >= 0) & (way <= reach_mm)
        live = live[met]
        if len(live) == 0:
            break
        ways[live, k], facets[live, k] = way[met], hits.facets[met]
        begun[live] = way[met] + STEP_MM
    normals = surface.topology.normals[np.maximum(facets, 0)]
    leaving = (np.einsum("qkd,qd->qk", normals, directions) > 0.0) & (facets >= 0)
    return Crossings(ways, leaving, facets)


def first_met(surface: Surface, origins: Floats, directions: Floats, reach_mm: float = REACH_MM) -> Exits:
    """Where rays first come in through the outside of a surface: (q,) ways, nan where they do not. What they meet from behind,
    such as the rim of a scan that bends back, is passed."""
    met = crossings(surface, origins, directions, reach_mm)
    is_coming = ~met.is_leaving & (met.facets >= 0)
    return _first_of(met, is_coming)


def exits(solid: Surface, origins: Floats, directions: Floats, covered_mm: Floats) -> Exits:
    """Where rays leave a closed solid that they start in, or in a hollow of it.

    covered_mm: (q,) how far a scan body reaches from the origin: what is left before that and entered again is the edge of
    the body's own hollow. A solid that is left and entered again within SLIVER_MM is not left there.
    """
    met = crossings(solid, origins, directions)
    after = np.roll(met.way_mm, -1, axis=1)
    after[:, -1] = np.inf
    is_entered_again = np.isfinite(after)
    is_sliver = is_entered_again & (after < met.way_mm + SLIVER_MM)
    is_in_hollow = (met.way_mm < covered_mm[:, None]) & is_entered_again
    return _first_of(met, met.is_leaving & ~is_sliver & ~is_in_hollow)


def _first_of(met: Crossings, wanted: NDArray[np.bool_]) -> Exits:
    there, rows = wanted.any(axis=1), np.arange(len(wanted))
    k = wanted.argmax(axis=1)
    return Exits(
        np.where(there, met.way_mm[rows, k], np.nan),
        np.where(there, met.facets[rows, k], -1).astype(np.int32),
    )


def open_channel(solid: Surface, seat: Floats, axis: Floats, covered_mm: float) -> OpenChannel | None:
    """Where the axis (3,) passes the rim of a channel that is open in the scan: the plane through the exits of the narrowest
    ring of rays beside it that meets the denture nearly all round. None where none does."""
    u = np.cross(np.eye(3)[int(np.argmin(np.abs(axis)))], axis)
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    turns = np.arange(RING_RAYS) * 2.0 * np.pi / RING_RAYS
    for radius in RING_RADII_MM:
        x, y = radius * np.cos(turns), radius * np.sin(turns)
        origins = seat + np.outer(x, u) + np.outer(y, v)
        way = exits(
            solid, origins, np.broadcast_to(axis, origins.shape).copy(), np.full(len(turns), covered_mm)
        ).way_mm
        there = np.isfinite(way)
        if there.mean() < RING_SHARE:
            continue
        design = np.column_stack([np.ones(int(there.sum())), x[there], y[there]])
        plane, *_ = np.linalg.lstsq(design, way[there], rcond=None)
        spread = float(np.sqrt(np.mean((way[there] - design @ plane) ** 2)))
        normal = axis - plane[1] * u - plane[2] * v
        return OpenChannel(float(plane[0]), normal / np.linalg.norm(normal), spread, radius)
    return None

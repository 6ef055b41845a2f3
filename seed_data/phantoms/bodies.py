"""Three invented kinds of scan body: near surfaces of revolution with index flats, as solids and as reference meshes.

The frame of a body: seat at the origin, axis along +z away from the seat, clocking direction +x (the main flat).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.records.bodies import BodyEntry, SeatLevel
from server.records.case_form import Connection

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Flat:
    """A flat milled from the top down to `from_z_mm`, `distance_mm` from the axis, facing `azimuth_deg`."""

    azimuth_deg: float
    distance_mm: float
    from_z_mm: float


@dataclass(frozen=True, slots=True)
class BodyKind:
    """profile_mm: (r, z) corners from the seat's rim up to the top, on the axis at the end.

    The reference mesh is open at the seat, or closed there (`closed`).
    """

    id: str
    profile_mm: tuple[tuple[float, float], ...]
    flats: tuple[Flat, ...]
    closed: bool
    may_stay_in_mouth: bool

    @property
    def height_mm(self) -> float:
        return max(z for _, z in self.profile_mm)

    @property
    def seat_radius_mm(self) -> float:
        return self.profile_mm[0][0]

    @property
    def reach_mm(self) -> float:
        return max(r for r, _ in self.profile_mm)

    def entry(self) -> BodyEntry:
        return BodyEntry(
            id=self.id,
            mesh=f"{self.id}.stl",
            seat_level=SeatLevel.ABUTMENT,
            connections=(Connection.DIRECT, Connection.TITANIUM_BASE),
            abutment_angles_deg=(0.0, 17.0, 30.0),
            may_stay_in_mouth=self.may_stay_in_mouth,
        )


KINDS = {
    kind.id: kind
    for kind in (
        BodyKind(
            "rb-60",
            ((2.25, 0.0), (2.25, 1.0), (1.95, 1.6), (1.95, 5.5), (1.55, 6.0), (0.0, 6.0)),
            (Flat(0.0, 1.35, 3.0),),
            closed=False,
            may_stay_in_mouth=True,
        ),
        BodyKind(
            "rb-45",
            ((2.45, 0.0), (2.45, 0.6), (2.0, 4.0), (1.65, 4.5), (0.0, 4.5)),
            (Flat(0.0, 1.4, 1.9),),
            closed=True,
            may_stay_in_mouth=True,
        ),
        BodyKind(
            "rb-90",
            ((2.1, 0.0), (2.1, 2.2), (1.8, 2.8), (1.8, 8.1), (1.7, 8.7), (1.45, 9.0), (0.0, 9.0)),
            (Flat(0.0, 1.2, 4.5), Flat(120.0, 1.4, 6.8)),
            closed=False,
            may_stay_in_mouth=False,
        ),
    )
}


@dataclass(frozen=True, slots=True)
class BodySolid:
    """A kind's solid as arrays. rounding_mm: edges are rounded by about this radius, as scanners round them."""

    profile: Floats
    flats: Floats
    rounding_mm: float

    def distance(self, points_mm: Floats) -> Floats:
        """Distance of (n, 3) points in the body's frame; negative inside."""
        f: Floats = _body(self.profile, self.flats, self.rounding_mm, np.ascontiguousarray(points_mm))
        return f


def solid_of(kind: BodyKind, *, rounding_mm: float = 0.0, root_mm: float = 0.0) -> BodySolid:
    """The solid of a kind; `root_mm` leads it on below the seat, so that unions leave no seam there."""
    ring = _without_straight_corners(np.array([(0.0, 0.0), *kind.profile_mm]), root_mm)
    turns = np.radians([flat.azimuth_deg for flat in kind.flats])
    flats = np.array([(f.distance_mm, f.from_z_mm) for f in kind.flats])
    flats = np.column_stack([np.cos(turns), np.sin(turns), flats])
    return BodySolid(_shrunk(ring, rounding_mm), flats, rounding_mm)


def _without_straight_corners(ring: Floats, root_mm: float) -> Floats:
    """The ring with its foot led down by `root_mm`, less corners that lie on a straight side."""
    if root_mm > 0.0:
        ring = np.vstack([(0.0, -root_mm), (ring[1, 0], -root_mm), ring[1:]])
    a, b = np.diff(ring[:-1], axis=0), np.diff(ring[1:], axis=0)
    bent = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) > 1e-9
    return np.asarray(ring[np.concatenate([[True], bent, [True]])], dtype=np.float64)


def _shrunk(ring: Floats, by_mm: float) -> Floats:
    """The polygon with every side moved inward; the first and last corner stay on the axis."""
    if by_mm == 0.0:
        return ring
    edges = np.diff(ring, axis=0)
    length = np.linalg.norm(edges, axis=1, keepdims=True)
    inward = np.column_stack([-edges[:, 1], edges[:, 0]]) / length
    start = ring[:-1] + inward * by_mm
    corners = [start[0] * (0.0, 1.0)]
    for i in range(1, len(edges)):
        step = np.linalg.solve(np.column_stack([edges[i - 1], -edges[i]]), start[i] - start[i - 1])
        corners.append(start[i - 1] + step[0] * edges[i - 1])
    last = ring[-1] + inward[-1] * by_mm
    return np.array([*corners, last * (0.0, 1.0)])


@njit(cache=True, nogil=True)
def smooth_max(a: float, b: float, k: float) -> float:
    """The larger of two, rounded where they differ by less than k (polynomial; exact elsewhere)."""
    if k <= 0.0 or abs(a - b) >= k:
        return max(a, b)
    h = (k - abs(a - b)) / k
    return max(a, b) + h * h * k * 0.25


@njit(cache=True, nogil=True)
def profile_distance(profile: Any, r: float, z: float) -> float:
    """Signed distance to the polygon (r, z), mirrored at the axis; its edge on the axis does not count."""
    best = 1e18
    inside = False
    n = len(profile)
    for i in range(n):
        j = (i + 1) % n
        ar, az = profile[i, 0], profile[i, 1]
        br, bz = profile[j, 0], profile[j, 1]
        if (az > z) != (bz > z) and r < (br - ar) * (z - az) / (bz - az) + ar:
            inside = not inside
        if ar == 0.0 and br == 0.0:
            continue
        er, ez = br - ar, bz - az
        t = ((r - ar) * er + (z - az) * ez) / (er * er + ez * ez)
        t = min(max(t, 0.0), 1.0)
        dr, dz = r - ar - t * er, z - az - t * ez
        best = min(best, dr * dr + dz * dz)
    d: float = np.sqrt(best)
    return -d if inside else d


@njit(cache=True, nogil=True)
def body_distance(profile: Any, flats: Any, k: float, x: float, y: float, z: float) -> float:
    """Distance to a body at one point of its frame; `profile` is already shrunk by k."""
    d = profile_distance(profile, np.sqrt(x * x + y * y), z) - k
    for i in range(len(flats)):
        cut_x = flats[i, 2] - (flats[i, 0] * x + flats[i, 1] * y)
        cut_z = flats[i, 3] - z
        d = smooth_max(d, -smooth_max(cut_x, cut_z, k), k)
    return d


@njit(cache=True, nogil=True)
def _body(profile: Any, flats: Any, k: float, p: Any) -> Any:
    out = np.empty(len(p))
    for i in range(len(p)):
        out[i] = body_distance(profile, flats, k, p[i, 0], p[i, 1], p[i, 2])
    return out

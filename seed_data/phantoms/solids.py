"""The solids of a mouth in the working jaw's frame: each a distance that is negative inside and exact to first order."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from seed_data.phantoms.bodies import KINDS, BodySolid, body_distance, smooth_max, solid_of
from seed_data.phantoms.height_map import HeightMap
from seed_data.phantoms.rigid import FLIP, Matrix, inverse, move
from seed_data.phantoms.teeth import ToothRow

Floats = NDArray[np.float64]

COLLAR_LEDGE_MM = 0.25
"""The abutment stands out under a scan body by this much all round."""
FOOT_MM = 4.0
"""How far an abutment reaches into the tissue."""
FAR_MM = 8.0
GROUND_RADIUS_MM = 4.5
EDGE_MM = 0.12
"""Edges that grinding leaves are rounded over this much."""
RIM_MM = 0.4
"""The rim of the impression side is rounded over this much."""


def merged(a: Floats, b: Floats, k_mm: float) -> Floats:
    """Union of two solids, filleted where their surfaces come within `k_mm` (polynomial; exact elsewhere)."""
    u: Floats = _merged(a, b, k_mm, 1.0)
    return u


def common(a: Floats, b: Floats, k_mm: float) -> Floats:
    """Intersection of two solids with rounded edges."""
    u: Floats = _merged(a, b, k_mm, -1.0)
    return u


@njit(cache=True, nogil=True)
def _merged(a: Any, b: Any, k: float, sign: float) -> Any:
    """Union, or with a sign of -1 intersection, of distances (n,)."""
    out = np.empty(len(a))
    for i in range(len(a)):
        out[i] = -sign * smooth_max(-sign * a[i], -sign * b[i], k)
    return out


@dataclass(frozen=True, slots=True)
class Placed:
    """A scan body where it stands: T_joint_body is its pose, seat at the origin and axis along z of its frame."""

    kind: str
    T_joint_body: Matrix

    @property
    def seat_mm(self) -> Floats:
        return np.asarray(self.T_joint_body[:3, 3], dtype=np.float64)

    @property
    def axis(self) -> Floats:
        return np.asarray(self.T_joint_body[:3, 2], dtype=np.float64)

    @property
    def clock(self) -> Floats:
        return np.asarray(self.T_joint_body[:3, 0], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Standing:
    """A body's solid where it stands, within a ball: exact near it, and far from it the distance to the ball, which is less.

    T_own_joint leads from the joint frame to the solid's own.
    """

    solid: BodySolid
    T_own_joint: Matrix
    middle_mm: Floats
    ball_mm: float

    def distance(self, points_mm: Floats) -> Floats:
        """Distance of (n, 3) points."""
        return self.merged_into(np.full(len(points_mm), np.inf), points_mm, 0.0)

    def merged_into(self, other: Floats, points_mm: Floats, k_mm: float, *, grown_mm: float = 0.0) -> Floats:
        """Union, as `merged`, of this solid, grown by so much, with another whose distance at the points is `other`;
        reckons only where the other is not so much nearer that it alone decides."""
        own, points = self.solid, np.ascontiguousarray(points_mm)
        ball = np.array([*self.middle_mm, self.ball_mm])
        u: Floats = _merged_near(
            other, points, k_mm, grown_mm, ball, self.T_own_joint, own.profile, own.flats, own.rounding_mm
        )
        return u


def body_field(
    placed: Placed, points_mm: Floats, *, rounding_mm: float = 0.0, root_mm: float = 0.3
) -> Floats:
    """Distance to one body; far from it a lower bound."""
    return body_at(placed, rounding_mm=rounding_mm, root_mm=root_mm).distance(points_mm)


def body_at(placed: Placed, *, rounding_mm: float = 0.0, root_mm: float = 0.3) -> Standing:
    height = KINDS[placed.kind].height_mm
    solid = _solid(placed.kind, rounding_mm, root_mm)
    return _standing(solid, placed, placed.seat_mm + placed.axis * 0.5 * height, 0.5 * height + 3.2)


def collar_at(placed: Placed, *, foot_mm: float) -> Standing:
    """The abutment under a body: a cone from the seat down into the tissue, `foot_mm` long."""
    r = KINDS[placed.kind].seat_radius_mm + COLLAR_LEDGE_MM
    ring = np.array([(0.0, -foot_mm), (0.7 * r, -foot_mm), (r - 0.1, -0.9), (r, -0.4), (r, 0.0), (0.0, 0.0)])
    middle = placed.seat_mm - 0.5 * foot_mm * placed.axis
    return _standing(BodySolid(ring, _NO_FLATS, 0.0), placed, middle, 0.5 * foot_mm + 2.0)


def cap_at(placed: Placed) -> Standing:
    """The low healing cap that an abutment wears when no body is on it."""
    r = KINDS[placed.kind].seat_radius_mm
    ring = np.array([(0.0, -0.3), (r - 0.55, -0.3), (r - 0.55, 0.3), (r - 1.05, 0.95), (0.0, 0.95)])
    return _standing(BodySolid(ring, _NO_FLATS, 0.25), placed, placed.seat_mm, 4.0)


_NO_FLATS = np.zeros((0, 4))


@lru_cache(maxsize=64)
def _solid(kind: str, rounding_mm: float, root_mm: float) -> BodySolid:
    return solid_of(KINDS[kind], rounding_mm=rounding_mm, root_mm=root_mm)


def _standing(solid: BodySolid, placed: Placed, middle_mm: Floats, ball_mm: float) -> Standing:
    return Standing(solid, inverse(placed.T_joint_body), middle_mm, ball_mm)


@njit(cache=True, nogil=True)
def _merged_near(
    other: Any, p: Any, k: float, grown: float, ball: Any, T: Any, profile: Any, flats: Any, rounding: float
) -> Any:
    """The union of `other` (n,) with a solid inside a ball (x, y, z, radius)."""
    out = other.copy()
    for i in range(len(p)):
        x, y, z = p[i, 0] - ball[0], p[i, 1] - ball[1], p[i, 2] - ball[2]
        squared = x * x + y * y + z * z
        reach = max(other[i] + k + grown + ball[3], 0.0)
        if squared >= reach * reach:
            continue
        d = np.sqrt(squared) - ball[3]
        if d < FAR_MM:
            x, y, z = p[i, 0], p[i, 1], p[i, 2]
            own_x = T[0, 0] * x + T[0, 1] * y + T[0, 2] * z + T[0, 3]
            own_y = T[1, 0] * x + T[1, 1] * y + T[1, 2] * z + T[1, 3]
            own_z = T[2, 0] * x + T[2, 1] * y + T[2, 2] * z + T[2, 3]
            d = body_distance(profile, flats, rounding, own_x, own_y, own_z)
        out[i] = -smooth_max(-other[i], grown - d, k)
    return out


@dataclass(frozen=True, slots=True)
class JawSolid:
    """Ridge, abutments and, where `standing`, scan bodies; `capped` wear healing caps instead."""

    surface: HeightMap
    standing: tuple[Placed, ...]
    capped: tuple[Placed, ...] = ()
    rounding_mm: float = 0.12

    def soft(self, points_mm: Floats) -> Floats:
        """The ridge with its abutments."""
        return self._with_abutments(points_mm, self.surface.distance(points_mm))

    def distance(self, points_mm: Floats) -> Floats:
        return self.over(points_mm, self.surface.distance(points_mm))

    def over(self, points_mm: Floats, tissue_mm: Floats) -> Floats:
        """The distance where that to the tissue alone is known already."""
        f = self._with_abutments(points_mm, tissue_mm)
        for placed in self.standing:
            f = body_at(placed, rounding_mm=self.rounding_mm).merged_into(f, points_mm, 0.06)
        for placed in self.capped:
            f = cap_at(placed).merged_into(f, points_mm, 0.2)
        return f

    def _with_abutments(self, points_mm: Floats, tissue_mm: Floats) -> Floats:
        f = tissue_mm
        for placed in (*self.standing, *self.capped):
            foot_mm = FOOT_MM + max(float(self.surface.distance(placed.seat_mm[None, :])[0]), 0.0)
            f = collar_at(placed, foot_mm=foot_mm).merged_into(f, points_mm, 0.35)
        return f


@dataclass(frozen=True, slots=True)
class OpposingSolid:
    """Gum and teeth of the other jaw. T_joint_own: from that jaw's own frame to the working jaw's."""

    surface: HeightMap
    teeth: ToothRow
    T_joint_own: Matrix

    def distance(self, points_mm: Floats) -> Floats:
        own = move(inverse(self.T_joint_own), points_mm)
        return merged(self.surface.distance(own), self.teeth.distance(own), 0.7)


FLIPPED = np.eye(4)
FLIPPED[:3, :3] = FLIP


@dataclass(frozen=True, slots=True)
class DentureSolid:
    """The relined denture. Its impression side is the jaw with its bodies, exactly, but for a rim rounded by 0.4 mm.

    block: height map under the necks of the teeth; edge: footprint, negative inside; wall_mm: base plate;
    cover_mm: resin around bodies; opposing: what the teeth were ground against, `ground_gap_mm` away. ground_off: over a body,
    what was ground away from so far above its seat on.
    """

    jaw: JawSolid
    block: HeightMap
    edge: HeightMap
    teeth: ToothRow
    opposing: OpposingSolid
    wall_mm: float
    cover_mm: float
    ground_gap_mm: float
    ground_off: tuple[Placed, float] | None = None

    def outer(self, points_mm: Floats) -> Floats:
        """The denture as if the impression side were solid."""
        return self._outer(points_mm, self.jaw.surface.distance(points_mm), np.full(len(points_mm), -np.inf))

    def distance(self, points_mm: Floats) -> Floats:
        tissue = self.jaw.surface.distance(points_mm)
        hollow = -self.jaw.over(points_mm, tissue)
        return common(self._outer(points_mm, tissue, hollow - RIM_MM), hollow, RIM_MM)

    def _outer(self, points_mm: Floats, tissue_mm: Floats, enough_mm: Floats) -> Floats:
        """The outer distance; where it is `enough_mm` or less, the teeth may be left out and it still is."""
        plate = merged(tissue_mm - self.wall_mm, self.block.distance(points_mm), 1.5)
        whole = common(plate, self.edge.at(points_mm[:, :2]), 1.6)
        for placed in self.jaw.standing:
            body = body_at(placed, root_mm=0.0)
            whole = body.merged_into(whole, points_mm, 1.2, grown_mm=self.cover_mm)
        cut = [self.ground_gap_mm - self._opponents(points_mm)]
        if self.ground_off is not None:
            cut.append(-self._ground_off(points_mm))
        asked = np.maximum.reduce([whole, *cut]) + len(cut) * 0.25 * EDGE_MM > enough_mm
        whole[asked] = merged(whole[asked], self.teeth.distance(points_mm[asked]), 0.6)
        for off in cut:
            whole = common(whole, off, EDGE_MM)
        return whole

    def _ground_off(self, points_mm: Floats) -> Floats:
        """Distance to the cylinder that was ground away."""
        assert self.ground_off is not None
        over, from_mm = self.ground_off
        local = move(inverse(over.T_joint_body), points_mm)
        return np.asarray(
            np.maximum(from_mm - local[:, 2], np.hypot(local[:, 0], local[:, 1]) - GROUND_RADIUS_MM)
        )

    def _opponents(self, points_mm: Floats) -> Floats:
        f = np.full(len(points_mm), FAR_MM)
        near = points_mm[:, 2] > -6.0
        f[near] = self.opposing.distance(points_mm[near])
        return f


@dataclass(frozen=True, slots=True)
class BeforeSolid:
    """The working jaw before treatment: its failing teeth in gum, palate and ridge ends as they still are."""

    surface: HeightMap
    block: HeightMap
    edge: HeightMap
    teeth: ToothRow

    def distance(self, points_mm: Floats) -> Floats:
        gum = common(self.block.distance(points_mm), self.edge.at(points_mm[:, :2]), 1.5)
        soft = merged(self.surface.distance(points_mm), gum, 1.5)
        return merged(soft, self.teeth.distance(points_mm), 0.7)

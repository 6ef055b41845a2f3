"""The solids of a mouth in the working jaw's frame: each a distance that is negative inside and exact to first order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from seed_data.phantoms.bodies import KINDS, BodySolid, solid_of
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


def merged(a: Floats, b: Floats, k_mm: float) -> Floats:
    """Union of two solids, filleted where their surfaces come within `k_mm` (polynomial; exact elsewhere)."""
    h = np.clip(k_mm - np.abs(a - b), 0.0, None) / max(k_mm, 1e-12)
    u: Floats = np.minimum(a, b) - h * h * k_mm * 0.25
    return u


def common(a: Floats, b: Floats, k_mm: float) -> Floats:
    """Intersection of two solids with rounded edges."""
    return -merged(-a, -b, k_mm)


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


def body_field(
    placed: Placed, points_mm: Floats, *, rounding_mm: float = 0.0, root_mm: float = 0.3
) -> Floats:
    """Distance to one body; far from it a lower bound."""
    solid = solid_of(KINDS[placed.kind], rounding_mm=rounding_mm, root_mm=root_mm)
    middle = placed.seat_mm + placed.axis * 0.5 * KINDS[placed.kind].height_mm
    ball = 0.5 * KINDS[placed.kind].height_mm + 3.2
    return _near(points_mm, middle, ball, placed.T_joint_body, solid)


def collar_field(placed: Placed, points_mm: Floats, *, foot_mm: float) -> Floats:
    """The abutment under a body: a cone from the seat down into the tissue, `foot_mm` long."""
    r = KINDS[placed.kind].seat_radius_mm + COLLAR_LEDGE_MM
    ring = np.array([(0.0, -foot_mm), (0.7 * r, -foot_mm), (r - 0.1, -0.9), (r, -0.4), (r, 0.0), (0.0, 0.0)])
    middle = placed.seat_mm - 0.5 * foot_mm * placed.axis
    return _near(points_mm, middle, 0.5 * foot_mm + 2.0, placed.T_joint_body, BodySolid(ring, _NO_FLATS, 0.0))


def cap_field(placed: Placed, points_mm: Floats) -> Floats:
    """The low healing cap that an abutment wears when no body is on it."""
    r = KINDS[placed.kind].seat_radius_mm
    ring = np.array([(0.0, -0.3), (r - 0.55, -0.3), (r - 0.55, 0.3), (r - 1.05, 0.95), (0.0, 0.95)])
    return _near(points_mm, placed.seat_mm, 4.0, placed.T_joint_body, BodySolid(ring, _NO_FLATS, 0.25))


_NO_FLATS = np.zeros((0, 4))


def _near(points: Floats, middle: Floats, ball_mm: float, T: Matrix, solid: BodySolid) -> Floats:
    bound, close, local = _split(np.ascontiguousarray(points), middle, ball_mm, inverse(T))
    f: Floats = bound
    f[close] = solid.distance(local)
    return f


@njit(cache=True, nogil=True)
def _split(points: Any, middle: Any, ball_mm: float, T_body_joint: Any) -> Any:
    """A lower bound for all points (n,), which of them lie near (k,), and these in the body's frame (k, 3)."""
    bound = np.empty(len(points))
    count = 0
    for i in range(len(points)):
        x, y, z = points[i, 0] - middle[0], points[i, 1] - middle[1], points[i, 2] - middle[2]
        bound[i] = np.sqrt(x * x + y * y + z * z) - ball_mm
        count += bound[i] < FAR_MM
    close, local = np.empty(count, dtype=np.int64), np.empty((count, 3))
    count = 0
    for i in range(len(points)):
        if bound[i] < FAR_MM:
            close[count] = i
            for k in range(3):
                row = T_body_joint[k]
                local[count, k] = (
                    row[0] * points[i, 0] + row[1] * points[i, 1] + row[2] * points[i, 2] + row[3]
                )
            count += 1
        bound[i] = max(bound[i], 0.5)
    return bound, close, local


@dataclass(frozen=True, slots=True)
class JawSolid:
    """Ridge, abutments and, where `standing`, scan bodies; `capped` wear healing caps instead."""

    surface: HeightMap
    standing: tuple[Placed, ...]
    capped: tuple[Placed, ...] = ()
    rounding_mm: float = 0.12

    def soft(self, points_mm: Floats) -> Floats:
        """The ridge with its abutments."""
        f = self.surface.distance(points_mm)
        for placed in (*self.standing, *self.capped):
            foot_mm = FOOT_MM + max(float(self.surface.distance(placed.seat_mm[None, :])[0]), 0.0)
            f = merged(f, collar_field(placed, points_mm, foot_mm=foot_mm), 0.35)
        return f

    def distance(self, points_mm: Floats) -> Floats:
        f = self.soft(points_mm)
        for placed in self.standing:
            f = merged(f, body_field(placed, points_mm, rounding_mm=self.rounding_mm), 0.06)
        for placed in self.capped:
            f = merged(f, cap_field(placed, points_mm), 0.2)
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
        plate = merged(
            self.jaw.surface.distance(points_mm) - self.wall_mm, self.block.distance(points_mm), 1.5
        )
        base = common(plate, self.edge.at(points_mm[:, :2]), 1.6)
        for placed in self.jaw.standing:
            base = merged(base, body_field(placed, points_mm, root_mm=0.0) - self.cover_mm, 1.2)
        whole = merged(base, self.teeth.distance(points_mm), 0.6)
        ground = common(whole, self.ground_gap_mm - self._opponents(points_mm), 0.12)
        return ground if self.ground_off is None else common(ground, -self._ground_off(points_mm), 0.12)

    def distance(self, points_mm: Floats) -> Floats:
        return common(self.outer(points_mm), -self.jaw.distance(points_mm), 0.4)

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

"""`frames.relation`: how one record lies on another of the same mouth, whatever frames they came in.

First the files' own frames are tried: scans of one session are often exported in one. Where those do not hold, the
surfaces are laid on each other without a start (server/metrology/registration). Where neither does, the mirror image of
the moving one is tried: that a surface fits only mirrored is evidence against it or its partner.

An impression meets its counterpart from the other side; a record whose back faced the scanner is read from there too.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.bench import RecordBench
from server.measures.facing import FACING
from server.measures.measure import PairMeasure, Result
from server.metrology.bvh import BoxTree
from server.metrology.registration.certainty import Certainty
from server.metrology.registration.register import (
    Demand,
    Registration,
    Sides,
    Standing,
    register,
    register_near,
)
from server.metrology.registration.surface import Surface
from server.metrology.rigid import Array, apply
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from server.records.roles import Role

Rows = tuple[tuple[float, float, float, float], ...]
Floats = NDArray[np.float64]

SAME_FRAME_MM = 1.0
"""Files whose frames are said to be one may be off each other by this much: another alignment by the same program."""


class Came(StrEnum):
    """How two records were brought together."""

    DELIVERED = "delivered"
    REGISTERED = "registered"
    MIRRORED = "mirrored"
    AMBIGUOUS = "ambiguous"
    NOT = "not"


TOLD = (Came.DELIVERED, Came.REGISTERED)


@dataclass(frozen=True, slots=True)
class _Meeting:
    """What two roles have in common. demand: what a pose must show; sides: of the surfaces that meet."""

    sides: Sides
    demand: Demand


_SOFT = Demand(agree_mm=0.25, least_agreement=0.65)
_RELINED = Demand(agree_mm=0.25, least_agreement=0.65)
_EARLIER = Demand(agree_mm=0.20, least_agreement=0.5)
_HARD = Demand(agree_mm=0.15, least_agreement=0.7)

MEETINGS: dict[tuple[Role, Role], _Meeting] = {
    (Role.TISSUE, Role.JAW): _Meeting(Sides.SAME, _SOFT),
    (Role.DENTURE, Role.JAW): _Meeting(Sides.OPPOSITE, _RELINED),
    (Role.DENTURE, Role.TISSUE): _Meeting(Sides.OPPOSITE, _RELINED),
    (Role.BITE, Role.DENTURE): _Meeting(Sides.SAME, _HARD),
    (Role.BITE, Role.JAW): _Meeting(Sides.SAME, _SOFT),
    (Role.BITE, Role.TISSUE): _Meeting(Sides.SAME, _SOFT),
    (Role.BITE, Role.OPPOSING): _Meeting(Sides.SAME, _HARD),
    (Role.BEFORE, Role.JAW): _Meeting(Sides.SAME, _EARLIER),
    (Role.BEFORE, Role.TISSUE): _Meeting(Sides.SAME, _EARLIER),
    (Role.BEFORE, Role.OPPOSING): _Meeting(Sides.SAME, _EARLIER),
}
"""Which records can be laid on which, the moving one first. Demands are common practice: mucosa gives by tenths of a
millimetre under a denture and swells within hours; teeth do not. Gums of two phantoms agree within 0.2 mm over at most 0.49,
within 0.3 mm over at most 0.63 of what overlaps (36 pairs); those of one, though one arch is bent by half a millimetre, over
0.69 and more within 0.25 mm."""


class Held(BaseModel):
    """How well a relation is held: covariance (6, 6) by rows of rotation vector (rad) about `centre_mm` and shift (mm), in
    the fixed record's frame; loose: (k, 6) motions that nothing holds (rotations in radians per arm_mm)."""

    model_config = ConfigDict(frozen=True)

    covariance: tuple[tuple[float, ...], ...]
    centre_mm: tuple[float, float, float]
    freedom: int
    arm_mm: float
    loose: tuple[tuple[float, ...], ...]

    @property
    def certainty(self) -> Certainty:
        loose = np.array(self.loose, dtype=np.float64).reshape(-1, 6)
        return Certainty(
            np.array(self.covariance), np.array(self.centre_mm), self.freedom, self.arm_mm, loose
        )

    @staticmethod
    def of(certainty: Certainty) -> Held:
        return Held(
            covariance=rows_of(certainty.covariance),
            centre_mm=(float(certainty.centre[0]), float(certainty.centre[1]), float(certainty.centre[2])),
            freedom=certainty.freedom,
            arm_mm=certainty.arm_mm,
            loose=rows_of(certainty.loose),
        )


class RelationResult(Result):
    """T_fixed_moving: rows, det +1, mm, in the files' frames; empty where the two were not brought together, and where they
    fit in mirror image only. off_mm: for a delivered relation, the most that any corner of the moving record is off it.
    agreement_ratio: share of the overlap that agrees; overlap_ratio: share of the moving surface in it; lead_ratio: by how
    much the next-best pose is behind.
    """

    came: Came
    T_fixed_moving: Rows = ()
    held: Held | None = None
    off_mm: float | None = None
    sigma_mm: float | None = None
    agreement_ratio: float = 0.0
    overlap_ratio: float = 0.0
    lead_ratio: float = 0.0

    @property
    def is_told(self) -> bool:
        """Whether the two were brought together."""
        return self.came in TOLD

    @property
    def motion(self) -> Array:
        """T_fixed_moving (4, 4)."""
        return np.array(self.T_fixed_moving)


def _measure(moving: RecordBench, fixed: RecordBench) -> RelationResult:
    meeting = MEETINGS[moving.role, fixed.role]
    sides, own, theirs = meeting.sides, moving.in_the_mouth, fixed.in_the_mouth
    near = register_near(own, theirs, np.eye(4), sides=sides, demand=meeting.demand)
    if near.standing is Standing.FITS and near.best is not None:
        off = _moved_mm(own, near.best.T_fixed_moving)
        if off < SAME_FRAME_MM:
            return _result(Came.DELIVERED, near, off)
    found = register(own, theirs, sides=sides, demand=meeting.demand)
    if found.standing is Standing.FITS:
        return _result(Came.REGISTERED, found)
    mirrored = register(_mirror(own), theirs, sides=sides, demand=meeting.demand)
    if mirrored.standing is Standing.FITS:
        return _result(Came.MIRRORED, mirrored)
    return _result(Came.AMBIGUOUS if found.standing is Standing.AMBIGUOUS else Came.NOT, found)


def _mirror(surface: Surface) -> Surface:
    """The mirror image, the same side out."""
    scan = surface.topology.scan
    image = Scan(scan.vertices * (-1.0, 1.0, 1.0), np.ascontiguousarray(scan.faces[:, ::-1]))
    return Surface(topology_of(image), BoxTree(image))


def _moved_mm(surface: Surface, T: Floats) -> float:
    corners = corners_of(surface.topology.scan.vertices)
    return float(np.linalg.norm(apply(T, corners) - corners, axis=1).max())


def corners_of(points: Floats) -> Floats:
    """(8, 3) corners of the box about points (n, 3)."""
    ends = np.array([points.min(axis=0), points.max(axis=0)])
    return np.array([[ends[i >> k & 1, k] for k in range(3)] for i in range(8)])


def _result(came: Came, found: Registration, off_mm: float | None = None) -> RelationResult:
    best = found.best
    is_told = came in TOLD and best is not None and found.certainty is not None
    return RelationResult(
        came=came,
        T_fixed_moving=rows_of(best.T_fixed_moving) if is_told and best else (),
        held=Held.of(found.certainty) if is_told and found.certainty else None,
        off_mm=off_mm,
        sigma_mm=found.sigma_mm if np.isfinite(found.sigma_mm) else None,
        agreement_ratio=best.agreement_ratio if best else 0.0,
        overlap_ratio=found.overlap_ratio,
        lead_ratio=found.lead_ratio,
    )


def rows_of(values: Floats) -> tuple[tuple[float, ...], ...]:
    """A matrix as it is kept."""
    return tuple(tuple(float(v) for v in row) for row in values)


RELATION = PairMeasure(
    name="frames.relation",
    revision=7,
    result=RelationResult,
    roles=frozenset(MEETINGS),
    compute=_measure,
    needs=(FACING,),
)

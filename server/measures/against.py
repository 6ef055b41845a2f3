"""A record to measure others against in the joint frame: its surface, how it is placed, how its points scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.case_bench import CaseBench
from server.measures.facing import FACING
from server.measures.frames import JointResult, Placed
from server.measures.measure import NotMeasured
from server.measures.relation import Came
from server.measures.texture import TEXTURE
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, inverse, turn
from server.metrology.space.axis_rays import Exits
from server.metrology.space.trials import Aim, Rays, drawn_rays, length_u95_mm
from server.records.roles import Role

SCATTER_MM = 0.02
"""Of a surface whose own scatter could not be read."""

Floats = NDArray[np.float64]


class Missing(BaseModel):
    """Why nothing could be measured against a record, and the rule whose finding is the cause, if one is."""

    model_config = ConfigDict(frozen=True)

    says: str
    because: str | None = None


@dataclass(frozen=True, slots=True)
class Against:
    """A record to measure against: its surface in its own frame, how it is placed, how its points scatter."""

    file: str
    surface: Surface
    placed: Placed
    scatter_mm: float

    @property
    def back(self) -> Floats:
        """T_record_root (4, 4)."""
        return inverse(self.placed.motion)

    def rays(self, aim: Aim) -> Rays | None:
        """Axes drawn at random, in the record's own frame."""
        assert self.placed.held is not None
        rays = drawn_rays(aim, self.placed.held.certainty)
        return (
            None if rays is None else Rays(apply(self.back, rays.origins), turn(self.back, rays.directions))
        )

    def u95_mm(self, rays: Rays, met: Exits) -> float | None:
        normals = self.surface.topology.normals[np.maximum(met.facets, 0)]
        cosine = np.einsum("ij,ij->i", normals, rays.directions)
        return length_u95_mm(met.way_mm, cosine, self.scatter_mm)


def against(bench: CaseBench, joint: JointResult, role: Role) -> tuple[Against | None, Missing | None]:
    """The first record of a role that stands in the joint frame; else why there is none."""
    files = bench.files_of(role)
    if not files:
        because = "form/missing" if role is Role.OPPOSING else None
        return None, Missing(says=f"there is no {role.words}", because=because)
    missing = None
    for file in files:
        try:
            bench.result(file, FACING)
        except NotMeasured as answer:
            missing = missing or Missing(says=answer.says, because=answer.because)
            continue
        placed = joint.of(file)
        if placed is not None and placed.T_root_record and placed.held is not None:
            return Against(file, bench.records[file].outward, placed, _scatter(bench, file)), None
        missing = missing or Missing(says=_unplaced(placed, role), because=_because(joint, file))
    return None, missing


def _unplaced(placed: Placed | None, role: Role) -> str:
    why = f": {placed.says}" if placed is not None and placed.says else ""
    return f"the {role.words} could not be brought to the jaw{why}"


def _because(joint: JointResult, file: str) -> str | None:
    """The rule whose finding says why a record has no place."""
    tried = joint.ways(file)
    if Came.MIRRORED in tried:
        return "surface/mirrored"
    return "surface/no-fit" if tried else "bite/missing"


def _scatter(bench: CaseBench, file: str) -> float:
    try:
        return bench.result(file, TEXTURE).scatter_mm or SCATTER_MM
    except NotMeasured:
        return SCATTER_MM

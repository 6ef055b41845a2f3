"""Entries of the body catalogue: reference bodies (scan bodies) with the frame that gives their seat, axis and clocking."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field, field_validator

from server.records.case_form import Code, Connection, Finite, FormPart
from server.records.roles import Unit

Vector = tuple[Finite, Finite, Finite]


class SeatLevel(StrEnum):
    ABUTMENT = "abutment"
    IMPLANT = "implant"


class BodyEntry(FormPart):
    """`bodies/ID.json`. The mesh is the part above the seat; `axis` points away from the seat."""

    id: Code
    mesh: Annotated[str, Field(min_length=1, max_length=255)]
    unit: Unit = Unit.MM
    seat_origin: Vector = (0.0, 0.0, 0.0)
    axis: Vector = (0.0, 0.0, 1.0)
    clock_direction: Vector = (1.0, 0.0, 0.0)
    seat_level: SeatLevel = SeatLevel.ABUTMENT
    connections: tuple[Connection, ...] | None = None
    abutment_angles_deg: tuple[Finite, ...] | None = None
    may_stay_in_mouth: bool | None = None

    @field_validator("axis", "clock_direction")
    @classmethod
    def _has_length(cls, value: Vector) -> Vector:
        if sum(c * c for c in value) < 1e-12:
            raise ValueError("must have a length")
        return value

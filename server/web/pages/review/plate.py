"""The plate: what the lab's page draws of a case in space, every record in the joint frame. Plain data, sent as JSON.

Lengths are mm, directions unit vectors, transforms 16 numbers row by row. Where a place lies in the frame of one record that
could not be laid with the others, it names that record's layer and counts in its file frame.
"""

from __future__ import annotations

from dataclasses import dataclass

Triple = tuple[float, float, float]
Rows = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Layer:
    """One record that is a surface. href: of its preview, empty where there is none. T_joint_record: empty where it has no
    place in the joint frame; `says` then tells why, as it does where there is no preview. shown: share of ink at first."""

    id: str
    role: str
    name: str
    href: str
    T_joint_record: Rows
    says: str
    shown: float


@dataclass(frozen=True, slots=True)
class BodyMark:
    """A scan body as it was found. eighths: shares caught, the first from the clocking direction on, against the clock seen
    from above; None where hardly any of it stands above the tissue."""

    layer: str
    label: str
    seat_mm: Triple
    axis: Triple
    clock: Triple
    eighths: tuple[float | None, ...]
    coverage_ratio: float
    says: str


@dataclass(frozen=True, slots=True)
class SeatMark:
    """An implant position that came as a row of a table: the seat, and the axis away from it."""

    label: str
    seat_mm: Triple
    axis: Triple
    says: str


@dataclass(frozen=True, slots=True)
class ShiftMark:
    """At one site, from where the positions have it to where the jaw scan has it."""

    label: str
    seat_mm: Triple
    shift_mm: Triple
    says: str


@dataclass(frozen=True, slots=True)
class GapSheet:
    """Gaps over the surface of one layer, on the bite's plan. low_mm: the middle of the first cell; gap_um_b64: rows of int16
    in micrometres, -32768 where nothing faces the other jaw, little-endian, deflated (zlib), base64."""

    layer: str
    name: str
    low_mm: tuple[float, float]
    cell_mm: float
    columns: int
    gap_um_b64: str
    toward: Triple
    says: str


@dataclass(frozen=True, slots=True)
class GapMark:
    """A place where the gap is told in figures."""

    at_mm: Triple
    gap_mm: float


@dataclass(frozen=True, slots=True)
class Bite:
    """T_plan_joint: into the plan of the sheets. toward of a sheet: from its surface to the other jaw."""

    T_plan_joint: Rows
    sheets: tuple[GapSheet, ...]
    marks: tuple[GapMark, ...]


@dataclass(frozen=True, slots=True)
class FoundPlace:
    """Where a finding points. layer: the record it was found in; is_apart: the place is in that record's own frame."""

    at_mm: Triple
    layer: str
    is_apart: bool
    says: str


@dataclass(frozen=True, slots=True)
class Mouth:
    """Directions in the joint frame. occlusal: from the working jaw to the opposing one; is_upper: the working jaw is."""

    left: Triple
    front: Triple
    occlusal: Triple
    is_upper: bool


@dataclass(frozen=True, slots=True)
class Plate:
    """places: by the anchor of the finding on the page. enlargement: of the shifts, as on the plan of positions. stamp:
    changes with anything here."""

    stamp: str
    says: str
    mouth: Mouth | None
    layers: tuple[Layer, ...]
    bodies: tuple[BodyMark, ...]
    seats: tuple[SeatMark, ...]
    shifts: tuple[ShiftMark, ...]
    enlargement: int
    bite: Bite | None
    places: dict[str, FoundPlace]

"""Implant positions as they are handed on: one row for each site, with its source and uncertainty, as CSV and JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence

from pydantic import BaseModel, ConfigDict

from server.measures.vectors import Vector3

FRAME_WORDS = (
    "Millimetres, in the frame that all scans of this package share. seat: the origin of the site's reference body, at its "
    "seat; axis: unit, away from the seat; clock: unit, at right angles to the axis, the reference body's clocking direction."
)
U95_WORDS = (
    "u95_position_mm: radius of the ball that holds the true seat with 95 %; u95_axis_deg: half-angle of the cone about the "
    "axis. They do not hold what bends a whole arch."
)


class PositionRow(BaseModel):
    """One site. source: markers, jaw, jaw-by-hand or imprints; jaw_off_mm: how far the jaw scan's own body lies from this
    position, so how far the tissue may be off; None where there is nothing to compare."""

    model_config = ConfigDict(frozen=True)

    site_index: int
    tooth: str
    source: str
    body: str
    seat_mm: Vector3
    axis: Vector3
    clock: Vector3
    u95_position_mm: float
    u95_axis_deg: float
    jaw_off_mm: float | None
    seat_level: str
    interface: str | None
    screw: str | None
    torque_ncm: float | None
    abutment_angle_deg: float | None
    cuff_mm: float | None
    seat_confirmed: str | None


COLUMNS = (
    "tooth",
    "x_mm",
    "y_mm",
    "z_mm",
    "axis_x",
    "axis_y",
    "axis_z",
    "clock_x",
    "clock_y",
    "clock_z",
    "source",
    "body",
    "u95_position_mm",
    "u95_axis_deg",
    "jaw_off_mm",
    "seat_level",
    "interface",
    "screw",
    "torque_ncm",
    "abutment_angle_deg",
    "cuff_mm",
    "seat_confirmed",
)
"""The first ten are those of a table of implant positions as this project reads it."""


def positions_csv(rows: Sequence[PositionRow]) -> bytes:
    """The rows under COLUMNS; what is not known is empty. A text that a spreadsheet would take for a formula is quoted."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        numbers = (*row.seat_mm, *row.axis, *row.clock)
        said = (getattr(row, name) for name in COLUMNS[10:])
        writer.writerow([_safe(row.tooth), *(f"{v:.6f}" for v in numbers), *(_safe(v) for v in said)])
    return out.getvalue().encode()


def _safe(value: object) -> str:
    text = "" if value is None else f"{value:.4f}" if isinstance(value, float) else str(value)
    return f"'{text}" if isinstance(value, str) and text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def positions_json(
    rows: Sequence[PositionRow], *, occlusal: Vector3 | None, front: Vector3 | None, left: Vector3 | None
) -> bytes:
    """The rows with what the numbers mean. occlusal, front, left: unit directions of the mouth in the same frame, None
    where they could not be told."""
    told = {
        "schema": "archproof.positions/1",
        "frame": FRAME_WORDS,
        "uncertainty": U95_WORDS,
        "directions": {"occlusal": occlusal, "front": front, "patients_left": left},
        "sites": [row.model_dump(mode="json") for row in rows],
    }
    return json.dumps(told, indent=1, ensure_ascii=False).encode()

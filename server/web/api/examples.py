"""Invented examples for the description of the interface."""

from __future__ import annotations

from typing import Any

CASE_ID = "7m2q0xk4t9c1b6zr5w8vhjyd"
FORM: dict[str, Any] = {
    "schema": "archproof.case/1",
    "patient_code": "R-1042",
    "working_arch": "lower",
    "numbering": "fdi",
    "prosthesis": "provisional",
    "material": "pmma-milled",
    "connection": "titanium-base",
    "opposing_dentition": "natural",
    "needed_by": "2031-05-04T15:30:00+00:00",
    "prescriber": {"name": "Dr. Quill", "licence": "D-77031", "signed_at": "2031-05-04T08:45:00+00:00"},
    "vertical": {"reference_mm": 62.0, "seated_mm": 62.3, "repeats_mm": [62.1, 62.4]},
    "planned_teeth": "36-46",
    "sites": [
        {"tooth": "36", "scan_body": "rb-60", "abutment_angle_deg": 30, "seat_confirmed": "radiograph"},
        {"tooth": "33", "scan_body": "rb-60", "abutment_angle_deg": 0, "seat_confirmed": "radiograph"},
        {"tooth": "43", "scan_body": "rb-60", "abutment_angle_deg": 0, "seat_confirmed": "tactile"},
        {"tooth": "46", "scan_body": "rb-60", "abutment_angle_deg": 17, "seat_confirmed": "radiograph"},
    ],
}
MERGE: dict[str, Any] = {"vertical": {"seated_mm": 62.5}, "shade": None}
RECORD_CHANGE: dict[str, Any] = {"role": "bite", "unit": "mm"}
MESSAGE: dict[str, Any] = {"text": "The jaw was scanned again on the left side."}
RETURN: dict[str, Any] = {"text": "Please scan the jaw again: the body at 34 was caught on one side only."}
WAIVER: dict[str, Any] = {
    "finding": "3f0c9a51e2d84b7790c1a6e5d2b8f4713c5e9d0a6b1f2c8e7d4a90b35f6e1c28",
    "reason": "The hole lies in the palate, two centimetres from the nearest implant.",
    "consent": False,
}
WEBHOOK: dict[str, Any] = {"url": "https://hooks.example.com/archproof"}


def form_body(
    schema: dict[str, Any], example: dict[str, Any], kind: str = "application/json"
) -> dict[str, Any]:
    """The description of a body that the route reads itself."""
    return {"requestBody": {"required": True, "content": {kind: {"schema": schema, "example": example}}}}

"""A complete, clean case as the rules see it, to break one thing of; and how to ask the rules about it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from server.measures.measure import Measurement, RecordMeasure, Result, Status
from server.records.bodies import BodyEntry
from server.records.case_form import CaseForm, RecordEntry
from server.records.roles import Role
from server.rules.catalogue import RULES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.finding import Finding
from server.rules.limit import Level
from server.rules.rule import Rule
from server.rules.runner import judge
from server.rules.sheet import ToleranceSheet, default_sheet

NOW = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)

GOOD_FORM: dict[str, Any] = {
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
    "records": [
        {"role": "jaw", "file": "jaw.stl", "unit": "mm"},
        {"role": "tissue", "file": "tissue.stl", "unit": "mm"},
        {"role": "denture", "file": "denture.stl", "unit": "mm"},
        {"role": "opposing", "file": "opposing.stl", "unit": "mm"},
        {"role": "bite", "file": "bite-1.stl", "unit": "mm"},
        {"role": "markers", "file": "markers.stl", "unit": "mm"},
    ],
    "attested": {
        "bite_checked_in_mouth": True,
        "denture_seat_checked": True,
        "marks_unmoved": True,
        "bodies_torqued": True,
    },
}
"""Invented; the sites are spread over both sides of a lower jaw."""

BODIES: Mapping[str, BodyEntry] = {
    "rb-60": BodyEntry.model_validate(
        {
            "id": "rb-60",
            "mesh": "rb-60.stl",
            "connections": ["direct", "titanium-base"],
            "abutment_angles_deg": [0, 17, 30],
        }
    )
}


def form(**changes: Any) -> CaseForm:
    """The good form with some fields changed; None takes a field out."""
    kept = {name: value for name, value in {**GOOD_FORM, **changes}.items() if value is not None}
    return CaseForm.model_validate(kept)


def sites(*changes: dict[str, Any]) -> list[dict[str, Any]]:
    """The good form's sites, each with its changes, in order; further changes make further sites."""
    good = [*GOOD_FORM["sites"], *({} for _ in changes[len(GOOD_FORM["sites"]) :])]
    changed = [*changes, *({} for _ in good[len(changes) :])]
    return [{**site, **change} for site, change in zip(good, changed, strict=True)]


def records(*, without: str = "", more: tuple[dict[str, Any], ...] = ()) -> list[dict[str, Any]]:
    """The good form's records without those of one role, and with more."""
    return [*(entry for entry in GOOD_FORM["records"] if entry["role"] != without), *more]


def case(*evidence: RecordEvidence, bodies: Mapping[str, BodyEntry] = BODIES, **changes: Any) -> CaseEvidence:
    """The good case with some fields of its form changed, and with these records measured."""
    return CaseEvidence(form=form(**changes), records=evidence, now=NOW, bodies=bodies)


def record(
    *measured: Measurement, role: Role = Role.JAW, file: str = "jaw.stl", sha256: str = "", **entry: Any
) -> RecordEvidence:
    """A record with the measurements given; without a digest, with one that belongs to its name alone."""
    made = RecordEntry(role=role, file=file, **entry)
    digest = sha256 or hashlib.sha256(file.encode()).hexdigest()
    return RecordEvidence(made, sha256=digest, measurements={m.measure: m for m in measured})


def measured(measure: RecordMeasure[Any], result: Result) -> Measurement:
    """A measurement as it is kept, with that result."""
    return Measurement(
        key="k",
        measure=measure.name,
        revision=measure.revision,
        status=Status.MEASURED,
        result=result.model_dump(mode="json"),
    )


def given_up(measure: RecordMeasure[Any], because: str | None, says: str = "it was given up") -> Measurement:
    """A measurement that could not be made."""
    return Measurement(
        key="k",
        measure=measure.name,
        revision=measure.revision,
        status=Status.NOT_MEASURED,
        because=because,
        says=says,
    )


def ask(rule: Rule, of: CaseEvidence, sheet: ToleranceSheet | None = None) -> tuple[Finding, ...]:
    """What one rule says of a case."""
    return judge([rule], of, sheet or default_sheet(of.form.prosthesis))


def ask_one(rule: Rule, of: CaseEvidence, sheet: ToleranceSheet | None = None) -> Finding:
    """The only thing a rule says of a case."""
    (finding,) = ask(rule, of, sheet)
    return finding


def troubled(of: CaseEvidence) -> set[str]:
    """The rules of the whole catalogue that find something graver than a note in a case."""
    found = judge(RULES, of, default_sheet(of.form.prosthesis))
    return {f.rule for f in found if f.level.gravity > Level.NOTE.gravity}

"""Records as the measures of files leave them: those of a good jaw scan, to change one thing of."""

from __future__ import annotations

from typing import Any

from server.measures.extent import EXTENT, ExtentResult
from server.measures.measure import Measurement
from server.measures.personal import PERSONAL, PersonalResult
from server.measures.reading import READING, ReadingResult, Refusal
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence
from tests.rules.good_set import case, given_up, measured, record

GOOD_EXTENT: dict[str, Any] = {
    "span_mm": 72.0,
    "low_mm": (-30.0, -25.0, -8.0),
    "high_mm": (30.0, 25.0, 8.0),
    "centre_mm": (0.0, 2.0, 1.0),
    "n_strays": 0,
    "n_points": 60_000,
    "unit_mm": 1.0,
    "unit_from": "form",
    "stated_unit_mm": None,
    "fitting_units": ("mm",),
    "step_mm": 2.0**-19,
}


def reading(**changes: Any) -> Measurement:
    return measured(READING, ReadingResult.model_validate({"format": "stl-binary", **changes}))


def extent(**changes: Any) -> Measurement:
    return measured(EXTENT, ExtentResult.model_validate({**GOOD_EXTENT, **changes}))


def personal(*found: dict[str, str]) -> Measurement:
    result = {"found": list(found), "n_texts": len(found), "n_texts_searched": len(found)}
    return measured(PERSONAL, PersonalResult.model_validate(result))


def good_record(*instead: Measurement, role: Role = Role.JAW, file: str = "jaw.stl") -> RecordEvidence:
    """A record with good measurements, some of them replaced."""
    made = {m.measure: m for m in (reading(), extent(), personal(), *instead)}
    return record(*made.values(), role=role, file=file)


def refused(rule: str, *, role: Role = Role.JAW, reason: str = "a-reason") -> RecordEvidence:
    """A record whose file was refused under that rule, so that nothing else of it was measured."""
    refusal = Refusal(rule=rule, reason=reason, says="It is so.", remedy="Do so.")
    lost = (given_up(measure, rule) for measure in (EXTENT, PERSONAL))
    return record(reading(format=None, refusal=refusal.model_dump()), *lost, role=role)


def of(*records: RecordEvidence) -> CaseEvidence:
    return case(*records)

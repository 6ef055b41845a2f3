"""The use case: a record set with its measurements is judged under a sheet and explained in a report."""

from __future__ import annotations

import time
from typing import Any

from server.inspection.report import Report, SheetName, Timing, Verdict, verdict_of
from server.inspection.sentence import headline
from server.rules.catalogue import RULES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.runner import judge
from server.rules.sheet import ToleranceSheet, default_sheet
from server.version import SOFTWARE

NOT_YET_MEASURED = (
    "where each scan body sits and how well it was caught",
    "the implant positions against the jaw scan",
    "the bite and the bite height on surfaces",
    "the room for the bridge",
    "the fit of the denture's impression side",
)
"""What no measure of this version looks at: said in every report, so that clear is never read as more than it is."""


def judge_case(
    case: CaseEvidence, sheet: ToleranceSheet | None = None, *, timing: Timing | None = None
) -> Report:
    """The report on a case. No file is opened: everything comes from the evidence. `sheet`: the default of the
    declared prosthesis where none is given."""
    applied = sheet or default_sheet(case.form.prosthesis)
    begun = time.perf_counter()
    findings = judge(RULES, case, applied)
    seconds = time.perf_counter() - begun
    verdict = verdict_of(findings)
    return Report(
        verdict=verdict,
        says=headline(verdict, findings, case, NOT_YET_MEASURED),
        software=SOFTWARE,
        sheet=SheetName(name=applied.name, version=applied.version),
        judged_at=case.now.isoformat(),
        findings=findings,
        measures=measures_of(case),
        not_measured=NOT_YET_MEASURED,
        records=tuple(
            {"file": r.file, "role": r.role.value, "unit": r.entry.unit.value, "sha256": r.sha256}
            for r in case.records
        ),
        timing_s=(timing or Timing()).model_copy(update={"judge": seconds}),
    )


def measures_of(case: CaseEvidence) -> dict[str, Any]:
    """The measured numbers by measure: for measures of one record a list with the record named in each entry."""
    shown: dict[str, Any] = {}
    for record in case.records:
        for name, made in record.measurements.items():
            shown.setdefault(name, []).append(_entry(record, made.result, made.status.value))
    for name, made in case.measurements.items():
        shown[name] = {"status": made.status.value, **(made.result or {})}
    return shown


def _entry(record: RecordEvidence, result: dict[str, Any] | None, status: str) -> dict[str, Any]:
    numbers = {k: v for k, v in (result or {}).items() if not k.endswith("_b64")}
    return {"record": record.file, "role": record.role.value, "status": status, **numbers}


__all__ = ["NOT_YET_MEASURED", "Verdict", "judge_case", "measures_of"]

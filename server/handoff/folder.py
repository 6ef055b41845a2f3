"""Releasing a record set from a folder, without a portal: checked, accepted by somebody where need be, packed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from server.handoff.manifest import Accepted, Manifest, PackageManifest, ReleasedRecord
from server.handoff.package.archive import write_package
from server.handoff.package.parts import make_parts
from server.handoff.papers import papers_of
from server.inspection.folder import Inspected, RecordSet
from server.inspection.places import Places
from server.inspection.report import Report
from server.rules.finding import Finding
from server.rules.limit import Level
from server.version import SOFTWARE


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Who accepts what stands against a release, and why. has_consent: the prescriber was asked and agrees."""

    reason: str
    by: str
    has_consent: bool


def against(report: Report, acceptance: Acceptance | None) -> list[Finding]:
    """The findings that stand against a release: those that nobody accepted, and those at return without consent."""
    grave = [f for f in report.findings if f.level in (Level.LOOK, Level.RETURN)]
    if acceptance is None:
        return grave
    return [f for f in grave if f.level is Level.RETURN and not acceptance.has_consent]


def release_folder(
    record_set: RecordSet,
    inspected: Inspected,
    out: Path,
    *,
    now: datetime,
    run: Callable[..., Any],
    acceptance: Acceptance | None = None,
) -> PackageManifest:
    """Writes the package; whole or not at all. What stands `against` it is for the caller to ask first. Raises
    PackageBroken, OSError."""
    parts = run(make_parts, record_set.form, record_set.records, inspected.measured, record_set.bodies)
    report = inspected.report
    told = Manifest(
        case_id="",
        patient_code=record_set.form.patient_code or "",
        round=1,
        released_at=now,
        released_by=acceptance.by if acceptance else "",
        software=SOFTWARE,
        sheet=report.sheet,
        form=record_set.form.model_dump(mode="json"),
        records=tuple(
            ReleasedRecord(
                file=r.entry.file,
                role=r.entry.role.value,
                unit=r.entry.unit.value,
                body=r.entry.body,
                sha256=inspected.sha256[r.entry.file],
                size_bytes=Path(r.path).stat().st_size,
            )
            for r in record_set.records
        ),
        accepted=_accepted(report, acceptance, now),
        not_measured=report.not_measured,
    )
    partial = out.with_name(out.name + ".partial")
    try:
        made = write_package(
            partial,
            parts,
            told,
            papers_of(report, record_set.form, told, Places(record_set.records, run).svg),
        )
        partial.replace(out)
    finally:
        partial.unlink(missing_ok=True)
    return made


def _accepted(report: Report, acceptance: Acceptance | None, now: datetime) -> tuple[Accepted, ...]:
    if acceptance is None:
        return ()
    reason, by, has_consent = acceptance.reason, acceptance.by, acceptance.has_consent
    return tuple(
        Accepted.of(finding, reason=reason, by=by, has_consent=has_consent, at=now)
        for finding in against(report, None)
    )

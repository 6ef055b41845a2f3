"""Handing a cleared case to design: the release, and the manifest of what it rests on."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from sqlmodel import col, select

from server.accounts.work import Work
from server.cases.lookup import current_round, find_case, records_of
from server.cases.tables import Case, Record
from server.errors import NotFound
from server.handoff.tables import Release
from server.inspection.judgements import finding_key, is_waived, report_of, waivers_of
from server.inspection.report import Report, SheetName
from server.inspection.tables import Waiver
from server.kit.ids import new_id
from server.review.deciding import release_case
from server.version import SOFTWARE


class NotReleased(NotFound):
    code = "not-released"


class ManifestPart(BaseModel):
    model_config = ConfigDict(frozen=True, populate_by_name=True, serialize_by_alias=True)


class ReleasedRecord(ManifestPart):
    file: str
    role: str
    unit: str
    body: str | None
    sha256: str
    size_bytes: int


class Accepted(ManifestPart):
    """A finding that somebody of the lab accepted, in whose words."""

    rule: str
    level: str
    records: tuple[str, ...]
    sites: tuple[str, ...]
    reason: str
    by: str
    has_consent: bool
    at: datetime


class Manifest(ManifestPart):
    """What a release rests on. Numbers of positions and transforms join it with the measures that make them."""

    schema_: Literal["archproof.release/1"] = Field(default="archproof.release/1", alias="schema")
    case_id: str
    patient_code: str
    round: int
    released_at: datetime
    released_by: str
    software: str
    sheet: SheetName
    form: dict[str, Any]
    records: tuple[ReleasedRecord, ...]
    accepted: tuple[Accepted, ...]
    not_measured: tuple[str, ...]


def release(work: Work, case_id: str) -> Release:
    """Releases the case and keeps the manifest. Raises CaseUnknown, NotYours, WrongTurn, StandsAgainst."""
    case = release_case(work, case_id)
    round_ = current_round(work, case)
    report = report_of(work, round_)
    assert report is not None  # release_case has looked at it
    made = Release(
        id=new_id(),
        case_id=case.id,
        round_number=round_.number,
        judgement_id=round_.judgement_id or "",
        manifest=_manifest(work, case, report).model_dump(mode="json"),
        at=work.now,
    )
    work.session.add(made)
    return made


def release_of(work: Work, case_id: str) -> Release:
    """The release of a case. Raises CaseUnknown, NotReleased."""
    case = find_case(work, case_id)
    query = select(Release).where(Release.case_id == case.id).order_by(col(Release.at).desc())
    found = work.session.exec(query).first()
    if found is None:
        raise NotReleased("The case has not been released.")
    return found


def _manifest(work: Work, case: Case, report: Report) -> Manifest:
    waivers = waivers_of(work, case.id)
    return Manifest(
        case_id=case.id,
        patient_code=case.patient_code,
        round=case.round_number,
        released_at=work.now,
        released_by=work.actor.name,
        software=SOFTWARE,
        sheet=report.sheet,
        form=case.form,
        records=tuple(_record(r) for r in records_of(work, case.id, case.round_number)),
        accepted=_accepted(report, waivers),
        not_measured=report.not_measured,
    )


def _record(record: Record) -> ReleasedRecord:
    return ReleasedRecord(
        file=record.file_name,
        role=record.role.value if record.role else "",
        unit=record.unit.value,
        body=record.body,
        sha256=record.sha256,
        size_bytes=record.size_bytes,
    )


def _accepted(report: Report, waivers: dict[str, Waiver]) -> tuple[Accepted, ...]:
    pairs = [(f, waivers[finding_key(f, report)]) for f in report.findings if is_waived(f, report, waivers)]
    return tuple(
        Accepted(
            rule=finding.rule,
            level=finding.level.value,
            records=finding.records,
            sites=finding.sites,
            reason=waiver.reason,
            by=waiver.person_name,
            has_consent=waiver.has_consent,
            at=waiver.at,
        )
        for finding, waiver in pairs
    )

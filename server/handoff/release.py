"""Handing a cleared case to design: the release, and the manifest of what it rests on."""

from __future__ import annotations

from sqlmodel import col, select

from server.accounts.work import Work
from server.cases.lookup import current_round, find_case, records_of
from server.cases.tables import Case, Record
from server.errors import NotFound
from server.handoff.manifest import Accepted, Manifest, ReleasedRecord
from server.handoff.tables import Release
from server.inspection.judgements import finding_key, is_waived, report_of, waivers_of
from server.inspection.report import Report
from server.inspection.tables import Waiver
from server.kit.ids import new_id
from server.kit.jobs import Job, Lane
from server.review.deciding import release_case
from server.version import SOFTWARE

PACK_RELEASE = Job("pack-release", Lane.HEAVY)
"""Argument: a release's id. Makes the archive that is handed on."""


class NotReleased(NotFound):
    code = "not-released"


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
    work.portal.jobs.enqueue(work.session, PACK_RELEASE, made.id)
    return made


def release_of(work: Work, case_id: str) -> Release:
    """The release of a case. Raises CaseUnknown, NotReleased."""
    found = release_or_none(work, find_case(work, case_id).id)
    if found is None:
        raise NotReleased("The case has not been released.")
    return found


def release_or_none(work: Work, case_id: str) -> Release | None:
    """The same for who has found the case already."""
    query = select(Release).where(Release.case_id == case_id).order_by(col(Release.at).desc())
    return work.session.exec(query).first()


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
        accepted=accepted_in(report, waivers),
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


def accepted_in(report: Report, waivers: dict[str, Waiver]) -> tuple[Accepted, ...]:
    """The findings of a report that somebody of the lab has waived."""
    pairs = [(f, waivers[finding_key(f, report)]) for f in report.findings if is_waived(f, report, waivers)]
    return tuple(
        Accepted.of(
            finding,
            reason=waiver.reason,
            by=waiver.person_name,
            has_consent=waiver.has_consent,
            at=waiver.at,
        )
        for finding, waiver in pairs
    )

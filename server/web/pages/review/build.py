"""From a case as it stands to the lab's page: every rule's answer, gravest first, and what can be decided."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from server.cases.lookup import CaseView
from server.cases.tables import CaseState, Measuring, Record
from server.handoff.tables import Release
from server.inspection.drawn import DRAWN_ROLES
from server.inspection.judgements import OPEN_LEVELS
from server.inspection.report import Report
from server.records.roles import Role, role_rank
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.rules.numbers import limit_words, measured
from server.rules.wording import count_words, sentence, source_words
from server.web.pages.chair.build import (
    UNIT_WORDS,
    Judged,
    messages_of_case,
    subline_of,
)
from server.web.pages.chair.numbers import all_numbers
from server.web.pages.chair.standing import lab_standing_of
from server.web.pages.parts import BUSY_TAG, WAIVED_TAG, Frame, TagView, finding_tag, level_tag
from server.web.pages.pictures import evidence_of, picture_href
from server.web.pages.reasons import (
    about_words,
    anchor_of,
    n_unmeasured,
    scale_for,
    title_of,
    unmeasured,
    where_words,
)
from server.web.pages.review.facts import facts_of, measures_of, place_of, sites_of
from server.web.pages.review.message import drafted_return
from server.web.pages.review.page import (
    FindingRow,
    PackageView,
    PlateView,
    RecordRow,
    ReleaseView,
    ReturnView,
    ReviewPage,
)
from server.web.pages.review.plate_build import has_place, stamp_of
from server.web.pages.shots.views import place_shot
from server.web.pages.turns import turns_of
from server.web.pages.words import due_words, size_words, time_view

_ORDER = {Outcome.FAILED: 0, Outcome.DOUBTFUL: 1, Outcome.CRASHED: 2, Outcome.NOT_MEASURED: 3}
OUTCOME_WORDS = {
    Outcome.PASSED: "passed",
    Outcome.DOUBTFUL: "doubtful",
    Outcome.FAILED: "failed",
    Outcome.NOT_APPLICABLE: "does not apply",
    Outcome.NOT_MEASURED: "not measured",
    Outcome.CRASHED: "crashed",
}
GUESSED = "Role filled in from its shape; nobody has said it."
CONSENT = "The prescriber has been asked and agrees."


def review_page(
    frame: Frame,
    view: CaseView,
    judged: Judged,
    now: datetime,
    zone: ZoneInfo,
    release: Release | None = None,
    drawn: Collection[str] = (),
) -> ReviewPage:
    """The lab's page of one case. release: where it was released; drawn: ids of the records that have a preview."""
    case, report = view.case, judged.report
    roles = {r.file_name: r.role for r in view.records if r.role is not None}
    rows = _rows(view, judged, roles, drawn)
    is_late = case.needed_by is not None and case.needed_by < now and not case.state.is_over
    return ReviewPage(
        frame=frame,
        case_id=case.id,
        heading=case.patient_code or "No code yet",
        subline=f"{view.clinic_name} · {subline_of(view)}",
        needed_by=time_view(case.needed_by, zone) if case.needed_by else None,
        due_words=due_words(case.needed_by, now) if case.needed_by and not case.state.is_over else "",
        is_late=is_late,
        standing=lab_standing_of(view, report, _left(judged)),
        tally=_tally(report),
        found=tuple(row for row in rows if row.kind != "clear"),
        passed=tuple(row for row in rows if row.kind == "clear"),
        unmeasured=unmeasured(report, roles),
        evidence=evidence_of(report),
        records=tuple(_record(r, view, report, roles) for r in _in_order(view.records)),
        facts=facts_of(view.form, zone),
        sites=sites_of(view.form),
        measures=measures_of(report),
        sheet=f"Sheet: {report.sheet.name}, version {report.sheet.version}" if report else "Not judged yet",
        judged_at=time_view(datetime.fromisoformat(report.judged_at), zone).words if report else "",
        returning=_returning(view, report, judged.waived, roles),
        releasing=_releasing(view, judged, roles, release),
        turns=turns_of(view, report, judged.earlier, zone),
        messages=messages_of_case(view, zone, for_lab=True),
        report_href=f"/cases/{case.id}/report.pdf" if report else "",
        live_href=f"/cases/{case.id}/live",
        plate=PlateView(
            href=f"/cases/{case.id}/plate?at={stamp_of(view, report, drawn)}",
            n_layers=sum(record.role in DRAWN_ROLES for record in view.records),
        ),
    )


def _rows(
    view: CaseView, judged: Judged, roles: Mapping[str, Role], drawn: Collection[str]
) -> list[FindingRow]:
    may_waive = view.case.state is CaseState.WITH_LAB
    findings = judged.report.findings if judged.report else ()
    found = sorted((f for f in findings if not _is_silent(f)), key=_rank)
    rows = [_row(f, roles, judged, may_waive=may_waive) for f in found]
    shots = [
        place_shot(view, f, row.id, drawn) if row.kind != "clear" else None
        for f, row in zip(found, rows, strict=True)
    ]
    return [replace(row, shot=shot) for row, shot in zip(rows, shots, strict=True)]


def _is_silent(finding: Finding) -> bool:
    """Nothing was measured there, and nobody has anything to decide: such answers stand under what was not measured."""
    return finding.level is Level.NOTE and finding.outcome is Outcome.NOT_MEASURED


def _rank(finding: Finding) -> tuple[int, int]:
    return -finding.level.gravity, _ORDER.get(finding.outcome, 9)


def _row(finding: Finding, roles: Mapping[str, Role], judged: Judged, *, may_waive: bool) -> FindingRow:
    is_grave = finding.level in (Level.LOOK, Level.RETURN)
    anchor = anchor_of(finding)
    waived_words = judged.waived.get(anchor, "")
    return FindingRow(
        id=anchor,
        key=judged.keys.get(anchor, ""),
        kind=finding.level.value,
        tag=WAIVED_TAG if waived_words else finding_tag(finding.level, finding.outcome),
        outcome=OUTCOME_WORDS[finding.outcome],
        rule=finding.rule,
        title=title_of(finding.rule),
        about=about_words(finding, roles) or "The case",
        says=finding.says,
        value_words=measured(finding.value, finding.u95, finding.unit) if finding.value is not None else "",
        limit_words=limit_words(finding.limit, finding.unit)
        if finding.limit
        else OUTCOME_WORDS[finding.outcome],
        scale=scale_for(finding) if is_grave else None,
        picture_href=picture_href(finding, judged.report),
        where=where_words(finding),
        has_place=has_place(finding, judged.report),
        remedy=finding.remedy if is_grave else "",
        source=source_words(finding.limit.source, finding.limit.standing) if finding.limit else "",
        waived_words=waived_words,
        may_waive=may_waive and is_grave and not waived_words,
        waive_asks=CONSENT if finding.level is Level.RETURN else "",
    )


def _left(judged: Judged) -> list[Finding]:
    """What stands against a release: the findings at look or return that nobody has waived."""
    found = judged.report.findings if judged.report else ()
    return [f for f in found if f.level in OPEN_LEVELS and anchor_of(f) not in judged.waived]


def _tally(report: Report | None) -> tuple[str, ...]:
    if report is None:
        return ()
    counts = {outcome: sum(1 for f in report.findings if f.outcome is outcome) for outcome in Outcome}
    return tuple(f"{count} {_counted(outcome, count)}" for outcome, count in counts.items() if count)


def _counted(outcome: Outcome, count: int) -> str:
    return "do not apply" if outcome is Outcome.NOT_APPLICABLE and count > 1 else OUTCOME_WORDS[outcome]


def _in_order(records: Iterable[Record]) -> list[Record]:
    return sorted(records, key=lambda record: (role_rank(record.role), record.file_name))


def _record(record: Record, view: CaseView, report: Report | None, roles: Mapping[str, Role]) -> RecordRow:
    about = [f.level for f in (report.findings if report else ()) if record.file_name in f.records]
    level = max((lv for lv in about if lv is not Level.NOTE), key=lambda lv: lv.gravity, default=Level.CLEAR)
    is_busy = record.measuring in (Measuring.WAITING, Measuring.MEASURING)
    return RecordRow(
        id=record.id,
        role=sentence(record.role.words) if record.role else "Role not said",
        file_name=record.file_name,
        size_words=size_words(record.size_bytes),
        unit=UNIT_WORDS[record.unit.value],
        sha256=record.sha256,
        tag=_record_tag(level, is_busy=is_busy, is_judged=report is not None),
        numbers=() if is_busy else all_numbers(record.file_name, record.role, view.form, report),
        place=place_of(record.file_name, report, roles),
        guess_words=GUESSED if record.role_is_guessed else "",
        href=f"/cases/{view.case.id}/records/{record.id}/file",
    )


def _record_tag(level: Level, *, is_busy: bool, is_judged: bool) -> TagView:
    if is_busy:
        return BUSY_TAG
    return level_tag(level) if is_judged else TagView("none", "No verdict yet", "none")


def _returning(
    view: CaseView, report: Report | None, waived: Mapping[str, str], roles: Mapping[str, Role]
) -> ReturnView:
    if view.case.state is not CaseState.WITH_LAB:
        return ReturnView(False, "", f"The case is {view.case.state.words}.")
    open_findings = [f for f in (report.findings if report else ()) if anchor_of(f) not in waived]
    says = (
        "Drafted from the findings in the clinic’s words. Change it as you like; it goes into the messages."
    )
    return ReturnView(True, drafted_return(view.case.patient_code, open_findings, roles), says)


def _package(release: Release) -> PackageView:
    if release.package_sha256 is None:
        return PackageView("", release.package_says or "Its package is being made.", "")
    says = f"Fetch the package, {size_words(release.package_bytes or 0)}"
    return PackageView(f"/cases/{release.case_id}/release/package", says, release.package_sha256)


def _releasing(
    view: CaseView, judged: Judged, roles: Mapping[str, Role], release: Release | None
) -> ReleaseView:
    report = judged.report
    if view.case.state is CaseState.RELEASED:
        return ReleaseView(False, "Released to design.", _package(release) if release else None)
    if view.case.state is not CaseState.WITH_LAB:
        return ReleaseView(False, f"The case is {view.case.state.words}.")
    if report is None or any(r.measuring is not Measuring.MEASURED for r in view.records):
        return ReleaseView(False, "Not before every record is measured and judged.")
    against = _left(judged)
    if against:
        return ReleaseView(False, f"{count_words(len(against), 'finding')} must be cleared or waived first.")
    left = n_unmeasured(unmeasured(report, roles))
    return ReleaseView(
        True,
        f"Nothing stands against it by what could be measured; {count_words(left, 'thing')} could not be.",
    )

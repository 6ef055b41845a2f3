"""What was found in a case, as its pages need it."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from server.accounts.work import Work
from server.cases.lookup import CaseView
from server.inspection.judgements import finding_key, is_waived, report_of, waivers_of
from server.inspection.report import Report
from server.inspection.tables import Waiver
from server.web.pages.chair.build import Judged
from server.web.pages.reasons import anchor_of
from server.web.pages.words import time_view


def judged_of(work: Work, view: CaseView, zone: ZoneInfo) -> Judged:
    """The report of the current round, those of earlier rounds, and the waivers that hold."""
    report = report_of(work, view.round)
    earlier = {r.number: report_of(work, r) for r in view.rounds if r.number != view.round.number}
    waivers = waivers_of(work, view.case.id)
    return Judged(
        report=report,
        earlier={number: found for number, found in earlier.items() if found is not None},
        waived=_waived(report, waivers, zone) if report else {},
        keys={anchor_of(f): finding_key(f, report) for f in report.findings} if report else {},
    )


def _waived(report: Report, waivers: dict[str, Waiver], zone: ZoneInfo) -> dict[str, str]:
    words = {}
    for finding in report.findings:
        if is_waived(finding, report, waivers):
            waiver = waivers[finding_key(finding, report)]
            consent = "; the prescriber agreed" if waiver.has_consent else ""
            at = time_view(waiver.at, zone).words
            words[anchor_of(finding)] = f"Waived by {waiver.person_name}, {at}{consent}: {waiver.reason}"
    return words

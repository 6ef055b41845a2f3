"""The report of a release, as data and on paper, with what was accepted."""

from __future__ import annotations

from server.accounts.work import Work
from server.cases.lookup import find_case, form_with_records, records_of
from server.handoff.manifest import Accepted, Manifest
from server.handoff.package.archive import Papers
from server.handoff.release import accepted_in
from server.inspection.judgements import judged_report, waivers_of
from server.inspection.paper import AcceptedLine, report_pdf
from server.inspection.report import Report
from server.records.case_form import CaseForm


def papers_of(report: Report, form: CaseForm, release: Manifest) -> Papers:
    """Both."""
    lines = [_line(accepted) for accepted in release.accepted]
    return Papers(report.model_dump_json(indent=1).encode(), report_pdf(report, form, lines))


def paper_of(work: Work, case_id: str) -> bytes:
    """The report on the round at hand as a PDF, with what the lab has waived. Raises CaseUnknown, NotJudged."""
    case = find_case(work, case_id)
    report, waivers = judged_report(work, case), waivers_of(work, case.id)
    form = form_with_records(CaseForm.model_validate(case.form), records_of(work, case.id, case.round_number))
    return report_pdf(report, form, [_line(accepted) for accepted in accepted_in(report, waivers)])


def _line(accepted: Accepted) -> AcceptedLine:
    about = ", ".join((*accepted.records, *(f"site {site}" for site in accepted.sites)))
    consent = "; the prescriber agreed" if accepted.has_consent else ""
    return AcceptedLine(accepted.rule, about, accepted.reason, f"{accepted.by}{consent}")

"""The report of a case of the portal on paper."""

from __future__ import annotations

from server.accounts.work import Work
from server.cases.lookup import find_case, form_with_records, records_of
from server.handoff.papers import accepted_line
from server.handoff.release import accepted_in
from server.inspection.judgements import judged_report, waivers_of
from server.inspection.paper import report_pdf
from server.records.case_form import CaseForm


def paper_of(work: Work, case_id: str) -> bytes:
    """The report on the round at hand as a PDF, with what the lab has waived. Raises CaseUnknown, NotJudged."""
    case = find_case(work, case_id)
    report, waivers = judged_report(work, case), waivers_of(work, case.id)
    form = form_with_records(CaseForm.model_validate(case.form), records_of(work, case.id, case.round_number))
    return report_pdf(report, form, [accepted_line(accepted) for accepted in accepted_in(report, waivers)])

"""The report of a case of the portal on paper."""

from __future__ import annotations

from functools import partial

from server.accounts.work import Work
from server.cases.lookup import case_view, form_with_records
from server.handoff.papers import accepted_line
from server.handoff.release import accepted_in
from server.inspection.judgements import judged_report, waivers_of
from server.inspection.paper import report_pdf
from server.inspection.shots import place_svg
from server.kit.portal import Portal


def paper_of(portal: Portal, work: Work, case_id: str) -> bytes:
    """The report on the round at hand as a PDF, with what the lab has waived and the places that findings point at. Raises
    CaseUnknown, NotJudged."""
    view = case_view(work, case_id)
    report, waivers = judged_report(work, view.case), waivers_of(work, view.case.id)
    return report_pdf(
        report,
        form_with_records(view.form, list(view.records)),
        [accepted_line(accepted) for accepted in accepted_in(report, waivers)],
        partial(place_svg, portal, work, view),
    )

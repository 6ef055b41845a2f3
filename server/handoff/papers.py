"""The report of a release, as data and on paper, with what was accepted."""

from __future__ import annotations

from server.handoff.manifest import Accepted, Manifest
from server.handoff.package.archive import Papers
from server.inspection.paper import AcceptedLine, Place, report_pdf
from server.inspection.report import Report
from server.records.case_form import CaseForm


def papers_of(report: Report, form: CaseForm, release: Manifest, place: Place) -> Papers:
    """Both. place: draws where a finding points."""
    lines = [accepted_line(accepted) for accepted in release.accepted]
    return Papers(report.model_dump_json(indent=1).encode(), report_pdf(report, form, lines, place))


def accepted_line(accepted: Accepted) -> AcceptedLine:
    """An acceptance as the paper shows it."""
    about = ", ".join((*accepted.records, *(f"site {site}" for site in accepted.sites)))
    consent = "; the prescriber agreed" if accepted.has_consent else ""
    return AcceptedLine(accepted.rule, about, accepted.reason, f"{accepted.by}{consent}")

"""The one sentence on top of a case: whose turn it is, and whether to rescan before the patient leaves."""

from __future__ import annotations

from server.cases.lookup import CaseView
from server.cases.tables import CaseState, Measuring
from server.inspection.judgements import lab_says
from server.inspection.report import INCOMPLETE, Report
from server.rules.finding import Finding
from server.rules.limit import Level
from server.rules.wording import count_words
from server.web.pages.parts import StandingView


def standing_of(view: CaseView, report: Report | None) -> StandingView:
    """The sentence for the clinic."""
    state = view.case.state
    if state is CaseState.RELEASED:
        return StandingView("clear", "The lab has released this case to design. Nothing is left to do.")
    if state is CaseState.WITHDRAWN:
        return StandingView("plain", "This case was withdrawn. Nothing in it is measured any more.")
    nameless = [r for r in view.records if r.role is None]
    asked = [r for r in nameless if r.likely_roles is not None]
    if asked:
        them = "it" if len(asked) == 1 else "they"
        return StandingView("look", f"Say what {_files_show(len(asked))}, so that {them} can be measured.")
    if nameless:
        return StandingView(
            "busy",
            f"Looking at what {_files_show(len(nameless))}. It is filled in by itself where it is sure.",
        )
    busy = [r for r in view.records if r.measuring in (Measuring.WAITING, Measuring.MEASURING)]
    if busy:
        what = count_words(len(busy), "record")
        return StandingView("busy", f"Measuring {what}. The verdict appears here by itself.")
    if not view.records:
        return StandingView(
            "plain", "Nothing has been sent yet. Begin with the marks and the scans from before."
        )
    if report is None:
        return StandingView("busy", "All records are measured; the verdict is being drawn up.")
    return _judged(view, report)


def _files_show(count: int) -> str:
    return "one file shows" if count == 1 else f"{count} files show"


def _judged(view: CaseView, report: Report) -> StandingView:
    kind = report.verdict.value
    if view.case.state is CaseState.WITH_LAB:
        return StandingView(kind, "The case is with the lab.", (report.says,))
    if view.case.state is CaseState.WITH_CLINIC and view.round.submitted_at is not None:
        return StandingView("return", "The lab sent this case back and says why.", (report.says,))
    if view.round.submitted_at is None and report.is_only_incomplete:
        lacking = tuple(f.says for f in report.findings if f.rule == INCOMPLETE and f.level is Level.RETURN)
        return StandingView(
            "plain", "Nothing to rescan so far, by what could be measured. Not complete yet:", lacking
        )
    return StandingView(kind, report.says)


def lab_standing_of(view: CaseView, report: Report | None, left: list[Finding]) -> StandingView:
    """The sentence for the lab: whose turn, and what the verdict rests on. left: the findings that nobody has waived."""
    state = view.case.state
    if state.is_over:
        return StandingView(
            "clear" if state is CaseState.RELEASED else "plain", f"This case is {state.words}."
        )
    busy = [r for r in view.records if r.measuring in (Measuring.WAITING, Measuring.MEASURING)]
    if busy or (report is None and view.records):
        what = count_words(len(busy), "record")
        return StandingView("busy", f"Being measured: {what}." if busy else "Being judged.")
    if report is None:
        return StandingView("plain", "The clinic is still collecting; no record has arrived.")
    turn = "" if state is CaseState.WITH_LAB else f"The case is {state.words}."
    return StandingView(report.verdict.value, lab_says(report, left), (turn,) if turn else ())

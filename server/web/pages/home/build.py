"""From a clinic's list of cases to its home page: what waits for the clinic first."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from server.cases.listing import CaseLine, CasePage
from server.cases.tables import Case, CaseState
from server.inspection.report import Verdict
from server.inspection.sentence import WILL_LOOK
from server.records.case_form import CaseForm
from server.rules.limit import Level
from server.rules.wording import clause
from server.web.pages.form.build import WORDS
from server.web.pages.home.page import CaseCard, CaseGroup, HomePage
from server.web.pages.parts import BUSY_TAG, Frame, TagView, level_tag
from server.web.pages.words import due_words, time_view

_GROUPS = (
    ("yours", "Your turn", (CaseState.WITH_CLINIC, CaseState.COLLECTING)),
    ("lab", "With the lab", (CaseState.WITH_LAB,)),
    ("over", "Done", (CaseState.RELEASED, CaseState.WITHDRAWN)),
)


def home_page(frame: Frame, clinic: str, cases: CasePage, now: datetime, zone: ZoneInfo) -> HomePage:
    """The clinic's home page."""
    groups = tuple(
        CaseGroup(
            id_, title, tuple(_card(line, now, zone) for line in cases.lines if line.case.state in states)
        )
        for id_, title, states in _GROUPS
    )
    more = f"/?cursor={cases.next_cursor}" if cases.next_cursor else ""
    return HomePage(frame, clinic, groups, more, "/live")


def _card(line: CaseLine, now: datetime, zone: ZoneInfo) -> CaseCard:
    case = line.case
    is_late = case.needed_by is not None and case.needed_by < now and not case.state.is_over
    return CaseCard(
        href=f"/cases/{case.id}",
        code=case.patient_code or "New case",
        subline=subline(case),
        next_words=_next(case),
        tag=_tag(case),
        due=time_view(case.needed_by, zone) if case.needed_by else None,
        due_words=due_words(case.needed_by, now) if case.needed_by and not case.state.is_over else "",
        is_late=is_late,
    )


def subline(case: Case) -> str:
    """“Lower jaw · Provisional · round 2”."""
    form = CaseForm.model_validate(case.form)
    known = [WORDS[v] for v in (form.working_arch, form.prosthesis) if v is not None]
    return " · ".join([*known, f"round {case.round_number}"])


def case_tag(case: Case) -> TagView:
    """The verdict of the round at hand, or that there is none yet."""
    if case.state is CaseState.RELEASED:
        return TagView("clear", "Released", "clear")
    if case.state is CaseState.WITHDRAWN:
        return TagView("none", "Withdrawn", "none")
    if case.verdict is None:
        is_begun = bool(case.form) and case.state is CaseState.WITH_LAB
        return BUSY_TAG if is_begun else TagView("none", "No verdict yet", "none")
    return level_tag(Level(case.verdict))


def _tag(case: Case) -> TagView:
    """As `case_tag`; of a case that came back, that it did, whatever was measured."""
    is_back = case.state is CaseState.WITH_CLINIC and case.verdict is not None
    return TagView("return", "Sent back", "return") if is_back else case_tag(case)


def _next(case: Case) -> str:
    if case.state is CaseState.WITH_CLINIC:
        redo = case.headline if case.verdict == Verdict.RETURN.value else ""
        return f"The lab sent it back. {redo or 'Scan again what it asks for, then send it again.'}"
    if case.state is CaseState.RELEASED:
        return "Released to design."
    if case.state is CaseState.WITHDRAWN:
        return "Withdrawn."
    if case.state is CaseState.WITH_LAB:
        return "The lab looks at it. Nothing to do now."
    if not case.patient_code:
        return "Fill in the form, and send the scans as you take them."
    before = WILL_LOOK if case.verdict == Verdict.LOOK.value and case.open_looks else ""
    if case.headline:
        return f"{before}{clause(case.headline)}" if before else case.headline
    return "Send the scans as you take them."

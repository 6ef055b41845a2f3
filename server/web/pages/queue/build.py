"""From a page of cases to the lab's queue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from server.accounts.tables import Organisation
from server.cases.listing import MANY, CaseFilter, CaseLine, CasePage
from server.cases.tables import Case, CaseState
from server.rules.wording import count_words, sentence
from server.web.pages.home.build import case_tag, subline
from server.web.pages.parts import Frame, OptionView
from server.web.pages.queue.page import QueueLine, QueuePage
from server.web.pages.words import due_words, time_view

VERDICT_WORDS = {"return": "Return", "look": "Look", "clear": "Clear"}
ALL_STATES = "all"


def queue_page(
    frame: Frame,
    cases: CasePage,
    wanted: CaseFilter,
    *,
    counts: Mapping[CaseState, int],
    clinics: Sequence[Organisation],
    now: datetime,
    zone: ZoneInfo,
) -> QueuePage:
    """The queue as filtered."""
    query = _query(wanted)
    more = f"/queue?{urlencode({**query, 'cursor': cases.next_cursor})}" if cases.next_cursor else ""
    return QueuePage(
        frame=frame,
        lines=tuple(_line(line, now, zone) for line in cases.lines),
        tally=tuple(_tally(state, counts.get(state, 0)) for state in CaseState),
        states=_states(wanted),
        verdicts=(
            OptionView("", "Any"),
            *(OptionView(v, w, v == wanted.verdict) for v, w in VERDICT_WORDS.items()),
        ),
        clinics=(
            OptionView("", "All"),
            *(OptionView(c.id, c.name, c.id == wanted.clinic_id) for c in clinics),
        ),
        text=wanted.text,
        is_filtered=wanted != CaseFilter(state=CaseState.WITH_LAB),
        more_href=more,
        live_href=f"/queue/live?{urlencode(query)}",
    )


def _query(wanted: CaseFilter) -> dict[str, str]:
    state = wanted.state.value if wanted.state else ALL_STATES
    rest = {"verdict": wanted.verdict, "clinic": wanted.clinic_id, "text": wanted.text}
    return {"state": state} | {name: value for name, value in rest.items() if value}


def _states(wanted: CaseFilter) -> tuple[OptionView, ...]:
    named = tuple(OptionView(s.value, sentence(s.words), s is wanted.state) for s in CaseState)
    return (*named, OptionView(ALL_STATES, "All", wanted.state is None))


def _tally(state: CaseState, count: int) -> str:
    shown = f"{MANY} or more" if count >= MANY else str(count)
    return f"{shown} {state.words}"


def _line(line: CaseLine, now: datetime, zone: ZoneInfo) -> QueueLine:
    case = line.case
    is_over = case.state.is_over
    return QueueLine(
        href=f"/cases/{case.id}",
        code=case.patient_code or "no code yet",
        clinic=line.clinic_name,
        what=subline(case),
        state=sentence(case.state.words),
        tag=case_tag(case),
        wrong=_wrong(case),
        counts=_counts(case.open_returns, case.open_looks),
        due=time_view(case.needed_by, zone) if case.needed_by else None,
        due_words=due_words(case.needed_by, now) if case.needed_by and not is_over else "",
        is_late=case.needed_by is not None and case.needed_by < now and not is_over,
    )


def _wrong(case: Case) -> str:
    """What is wrong in words; a clear case needs no long ones."""
    return "Nothing, by what could be measured." if case.verdict == "clear" else case.headline


def _counts(returns: int, looks: int) -> str:
    parts = [count_words(returns, "return")] if returns else []
    parts += [count_words(looks, "look")] if looks else []
    return ", ".join(parts)

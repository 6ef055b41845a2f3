"""Whose turn it is: opening a case, submitting a round, returning, releasing, withdrawing, opening the next round."""

from __future__ import annotations

from server.accounts.work import Work
from server.cases.form import keep_form
from server.cases.jobs import JUDGE_CASE
from server.cases.lookup import current_round, find_case, records_of, touch
from server.cases.tables import NO_NEED_BY, Case, CaseState, Measuring, Round
from server.errors import BadRequest, Refused
from server.kit.ids import new_id
from server.records.case_form import CaseForm


class WrongTurn(Refused):
    """The case is not in a state in which this can be done; the words say whose turn it is."""

    code = "wrong-turn"


class NothingToSubmit(BadRequest):
    code = "nothing-to-submit"
    http_status = 422


def open_case(work: Work, form: CaseForm) -> Case:
    """A new case of the actor's clinic, collecting its first round."""
    work.require(work.actor.is_clinic, "Only a clinic opens a case.")
    assert work.actor.organisation_id is not None
    now = work.now
    case = Case(
        id=new_id(),
        clinic_id=work.actor.organisation_id,
        state=CaseState.COLLECTING,
        form={},
        queue_at=NO_NEED_BY,
        created_by=work.actor.person_id,
        created_at=now,
        updated_at=now,
    )
    work.session.add(case)
    work.session.flush()
    work.session.add(Round(id=new_id(), case_id=case.id, number=1, opened_at=now))
    keep_form(work, case, form)
    work.audit("case.open", case.id)
    touch(work, case, "opened")
    return case


def open_for_change(work: Work, case: Case) -> int:
    """The number of the round that a change by the clinic goes into; opens the next one where the current one was
    submitted. A case that lies with the lab comes back to the clinic by it. Raises WrongTurn."""
    work.require(work.actor.is_clinic, "Only the clinic changes its records and its form.")
    if case.state.is_over:
        raise WrongTurn(f"The case is {case.state.words}; nothing can be changed any more.")
    if current_round(work, case).submitted_at is not None:
        _open_next_round(work, case)
    if case.state is CaseState.WITH_LAB:
        case.state = CaseState.WITH_CLINIC
        work.audit("case.take-back", case.id, round=case.round_number)
    return case.round_number


def _open_next_round(work: Work, case: Case) -> Round:
    case.round_number += 1
    case.verdict, case.headline, case.lightness = None, "", 3
    case.open_returns = case.open_looks = 0
    opened = Round(id=new_id(), case_id=case.id, number=case.round_number, opened_at=work.now)
    work.session.add(opened)
    work.session.flush()
    work.audit("round.open", case.id, round=case.round_number)
    return opened


def submit(work: Work, case_id: str) -> Case:
    """Hands the case to the lab. Submitting again what was returned, unchanged, opens a round of its own.

    Raises CaseUnknown, NotYours, WrongTurn, NothingToSubmit.
    """
    case = find_case(work, case_id, for_change=True)
    work.require(work.actor.is_clinic, "Only the clinic submits its case.")
    if case.state not in (CaseState.COLLECTING, CaseState.WITH_CLINIC):
        raise WrongTurn(f"The case is {case.state.words} already.")
    records = records_of(work, case.id, case.round_number)
    if not records:
        raise NothingToSubmit("The case has no record yet.")
    nameless = [r.file_name for r in records if r.measuring is Measuring.NEEDS_ROLE]
    if nameless:
        raise NothingToSubmit(
            "Say first what these files are: " + ", ".join(nameless) + ".", code="role-missing"
        )
    submitted = current_round(work, case)
    if submitted.submitted_at is not None:
        submitted = _open_next_round(work, case)
    submitted.submitted_at = case.submitted_at = work.now
    submitted.submitted_by = work.actor.person_id
    submitted.form = dict(case.form)
    case.state = CaseState.WITH_LAB
    work.audit("case.submit", case.id, round=case.round_number)
    work.portal.jobs.enqueue(work.session, JUDGE_CASE, case.id)
    touch(work, case, "submitted")
    return case


def hand_back(work: Work, case: Case) -> None:
    """The lab's return: the clinic's turn. The reasons go into a message. Raises WrongTurn."""
    work.require(work.actor.is_lab, "Only the lab returns a case.")
    _require_with_lab(case)
    case.state = CaseState.WITH_CLINIC
    work.audit("case.return", case.id, round=case.round_number)
    touch(work, case, "returned")


def close_as_released(work: Work, case: Case) -> None:
    """The lab's release. That nothing stands against it has been checked by the caller. Raises WrongTurn."""
    work.require(work.actor.is_lab, "Only the lab releases a case.")
    _require_with_lab(case)
    case.state = CaseState.RELEASED
    work.audit("case.release", case.id, round=case.round_number)
    touch(work, case, "released")


def withdraw(work: Work, case_id: str) -> Case:
    """The clinic takes a case out of the lab's hands for good. Raises CaseUnknown, NotYours, WrongTurn."""
    case = find_case(work, case_id, for_change=True)
    work.require(work.actor.is_clinic, "Only the clinic withdraws its case.")
    if case.state.is_over:
        raise WrongTurn(f"The case is {case.state.words} already.")
    case.state = CaseState.WITHDRAWN
    work.audit("case.withdraw", case.id, round=case.round_number)
    touch(work, case, "withdrawn")
    return case


def _require_with_lab(case: Case) -> None:
    if case.state is not CaseState.WITH_LAB:
        raise WrongTurn(f"The case is {case.state.words}; this needs a case that is with the lab.")

"""What the lab decides: to waive a finding, to return a case, to release it."""

from __future__ import annotations

from server.accounts.work import Work
from server.cases.lookup import current_round, find_case, records_of, touch
from server.cases.messages import write_message
from server.cases.tables import Case, CaseState, Measuring, MessageKind
from server.cases.turns import WrongTurn, close_as_released, hand_back
from server.errors import BadRequest, NotFound, Refused
from server.inspection.judgements import finding_key, is_waived, mirror, open_findings, report_of, waivers_of
from server.inspection.report import Report
from server.inspection.tables import Waiver
from server.kit.ids import new_id
from server.notices.outbox import announce
from server.notices.tables import Event
from server.rules.limit import Level

MIN_REASON = 10


class ReasonMissing(BadRequest):
    """A waiver says why, in words that mean something a year later."""

    code = "reason-missing"
    http_status = 422


class ConsentMissing(BadRequest):
    """Waiving what is to be returned needs the prescriber's consent, not only a technician's reason."""

    code = "consent-missing"
    http_status = 422


class FindingUnknown(NotFound):
    code = "finding-unknown"


class StandsAgainst(Refused):
    """Something still stands against a release."""

    code = "stands-against"


def waive(work: Work, case_id: str, key: str, reason: str, *, has_consent: bool) -> Waiver:
    """Accepts one finding of the latest report. `key`: see `finding_key`.

    Raises CaseUnknown, NotYours, WrongTurn, FindingUnknown, ReasonMissing, ConsentMissing.
    """
    case, report = _judged_case(work, case_id, "Only the lab waives a finding.")
    waivers = waivers_of(work, case.id)
    finding = next((f for f in open_findings(report, waivers) if finding_key(f, report) == key), None)
    if finding is None:
        raise FindingUnknown("There is no such open finding.")
    clean = reason.strip().replace("\0", "")
    if len(clean) < MIN_REASON or len(clean) > 2000:
        raise ReasonMissing(f"A reason has {MIN_REASON} to 2000 characters.")
    if finding.level is Level.RETURN and not has_consent:
        raise ConsentMissing("This needs the prescriber’s consent.")
    waiver = Waiver(
        id=new_id(),
        case_id=case.id,
        finding_key=key,
        rule=finding.rule,
        level=finding.level.value,
        reason=clean,
        has_consent=has_consent,
        person_id=work.actor.person_id,
        person_name=work.actor.name,
        at=work.now,
    )
    work.session.add(waiver)
    mirror(case, report, {**waivers, key: waiver})
    work.audit("finding.waive", case.id, rule=finding.rule, level=finding.level.value)
    touch(work, case, "waived")
    return waiver


def return_case(work: Work, case_id: str, text: str) -> Case:
    """Gives the case back to its clinic with a message. Raises CaseUnknown, NotYours, WrongTurn, MessageUnusable."""
    case = find_case(work, case_id, for_change=True)
    hand_back(work, case)
    write_message(work, case, text, MessageKind.RETURN)
    announce(work, case, Event.RETURNED)
    return case


def release_case(work: Work, case_id: str) -> Case:
    """Clears the case for design. Raises CaseUnknown, NotYours, WrongTurn, StandsAgainst."""
    case, report = _judged_case(work, case_id, "Only the lab releases a case.")
    records = records_of(work, case.id, case.round_number)
    if any(record.measuring is not Measuring.MEASURED for record in records):
        raise StandsAgainst("Not every record is measured yet.")
    known = {record["sha256"] for record in report.records}
    if {record.sha256 for record in records} != known:
        raise StandsAgainst("The records have changed since they were judged; wait for the verdict.")
    left = len(open_findings(report, waivers_of(work, case.id)))
    if left:
        raise StandsAgainst(f"{left} finding{'' if left == 1 else 's'} must be cleared or waived first.")
    close_as_released(work, case)
    announce(work, case, Event.RELEASED)
    return case


def _judged_case(work: Work, case_id: str, says: str) -> tuple[Case, Report]:
    case = find_case(work, case_id, for_change=True)
    work.require(work.actor.is_lab, says)
    if case.state is not CaseState.WITH_LAB:
        raise WrongTurn(f"The case is {case.state.words}; this needs a case that is with the lab.")
    report = report_of(work, current_round(work, case))
    if report is None:
        raise StandsAgainst("The case has not been judged yet.")
    return case, report


__all__ = ["is_waived", "release_case", "return_case", "waive"]

"""From a case as it stands to its chairside page."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from server.cases.lookup import CaseView
from server.cases.tables import CaseState, Measuring, Message, MessageKind, Record
from server.inspection.report import Report, Verdict
from server.records.roles import Role
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.rules.wording import listed
from server.web.pages.chair.gates import GateEvidence
from server.web.pages.chair.nameless import GUESSED, nameless_view, role_option
from server.web.pages.chair.numbers import few_numbers
from server.web.pages.chair.page import (
    ChairPage,
    MessageView,
    ReasonView,
    RecordView,
    SubmitView,
)
from server.web.pages.chair.standing import standing_of
from server.web.pages.chair.stations import steps_of
from server.web.pages.form.build import WORDS
from server.web.pages.parts import BUSY_TAG, Frame, OptionView, level_tag
from server.web.pages.pictures import Pictures
from server.web.pages.reasons import anchor_of, at_level, reason_of, unmeasured
from server.web.pages.shots.views import place_shot, record_shot
from server.web.pages.turns import turns_of
from server.web.pages.words import size_words, time_view

UNIT_WORDS = {
    "mm": "millimetres", "cm": "centimetres", "m": "metres", "um": "micrometres", "in": "inches", "unknown": "not known",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Judged:
    """What was found: the report on the current round, those of earlier rounds; by `anchor_of` a finding, the words of
    its waiver and the key under which it can be waived."""

    report: Report | None
    earlier: Mapping[int, Report]
    waived: Mapping[str, str]
    keys: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Sending:
    """What the page needs for sending files."""

    chunk_bytes: int
    max_bytes: int


def chair_page(
    frame: Frame,
    view: CaseView,
    judged: Judged,
    sending: Sending,
    zone: ZoneInfo,
    drawn: Collection[str] = (),
) -> ChairPage:
    """The chairside page of one case. drawn: ids of the records that have a preview."""
    case, report = view.case, judged.report
    roles = {r.file_name: r.role for r in view.records if r.role is not None}
    busy = {
        r.role for r in view.records if r.role and r.measuring in (Measuring.WAITING, Measuring.MEASURING)
    }
    open_findings = [f for f in (report.findings if report else ()) if anchor_of(f) not in judged.waived]
    evidence = GateEvidence(roles, busy, open_findings, is_judged=report is not None)
    form_href = f"/cases/{case.id}/form"
    is_open = not case.state.is_over
    pictures = Pictures(report)
    return ChairPage(
        frame=frame,
        case_id=case.id,
        code=case.patient_code,
        heading=case.patient_code or "New case",
        subline=subline_of(view),
        needed_by=time_view(case.needed_by, zone) if case.needed_by else None,
        form_href=form_href,
        is_open=is_open,
        standing=standing_of(view, report),
        asked=_asked(view, zone),
        nameless=tuple(nameless_view(r) for r in view.records if r.role is None),
        grave=_reasons(view, judged, Level.RETURN, pictures, drawn),
        looks=_reasons(view, judged, Level.LOOK, pictures, drawn),
        notes=_reasons(view, judged, Level.NOTE, pictures, drawn),
        unmeasured=unmeasured(report, roles),
        steps=steps_of(view.form, _records(view, open_findings, report, drawn), evidence, form_href),
        roles=role_options(),
        submit=_submit(view, report, busy),
        turns=turns_of(view, report, judged.earlier, zone),
        messages=messages_of_case(view, zone, for_lab=False),
        report_href=f"/cases/{view.case.id}/report.pdf" if judged.report else "",
        live_href=f"/cases/{case.id}/live",
        upload_href=UPLOADS,
        chunk_bytes=sending.chunk_bytes,
        max_bytes=sending.max_bytes,
    )


def role_options() -> tuple[OptionView, ...]:
    return tuple(role_option(role) for role in Role)


def subline_of(view: CaseView) -> str:
    """“Lower jaw · Provisional · Milled PMMA”, as far as it is known."""
    form = view.form
    known = [WORDS[v] for v in (form.working_arch, form.prosthesis, form.material) if v is not None]
    return " · ".join([*known, view.case.state.words])


def messages_of_case(view: CaseView, zone: ZoneInfo, *, for_lab: bool) -> tuple[MessageView, ...]:
    """The thread, the reader's own side to the right."""
    return tuple(_message(m, view, zone, for_lab=for_lab) for m in view.messages)


def _message(message: Message, view: CaseView, zone: ZoneInfo, *, for_lab: bool) -> MessageView:
    return MessageView(
        who=f"{'The lab' if message.from_lab else view.clinic_name} · {message.from_name}",
        at=time_view(message.at, zone),
        says=message.text,
        is_own=message.from_lab is for_lab,
    )


def _asked(view: CaseView, zone: ZoneInfo) -> MessageView | None:
    """What the lab asked for when it last sent the case back; None where that has been answered."""
    if view.case.state is not CaseState.WITH_CLINIC:
        return None
    returns = [m for m in view.messages if m.kind is MessageKind.RETURN]
    return _message(returns[-1], view, zone, for_lab=False) if returns else None


def _reasons(
    view: CaseView, judged: Judged, level: Level, pictures: Pictures, drawn: Collection[str]
) -> tuple[ReasonView, ...]:
    roles = {r.file_name: r.role for r in view.records if r.role is not None}
    return tuple(
        reason_of(
            finding,
            roles,
            judged.waived.get(anchor_of(finding), ""),
            pictures,
            place_shot(view, finding, anchor_of(finding), drawn),
        )
        for finding in at_level(judged.report, level)
    )


def _records(
    view: CaseView, findings: Collection[Finding], report: Report | None, drawn: Collection[str]
) -> Mapping[Role, tuple[RecordView, ...]]:
    placed: dict[Role, list[RecordView]] = {}
    for record in view.records:
        if record.role is not None:
            placed.setdefault(record.role, []).append(_record(record, findings, report, view, drawn))
    return {role: tuple(records) for role, records in placed.items()}


def _record(
    record: Record,
    findings: Collection[Finding],
    report: Report | None,
    view: CaseView,
    drawn: Collection[str],
) -> RecordView:
    is_busy = record.measuring in (Measuring.WAITING, Measuring.MEASURING) or report is None
    about = [f for f in findings if record.file_name in f.records and f.outcome in _FOUND]
    level = max((f.level for f in about), key=lambda lv: lv.gravity, default=Level.CLEAR)
    grave = [f for f in about if f.level is level and level in (Level.LOOK, Level.RETURN)]
    units = tuple(OptionView(v, w, v == record.unit.value) for v, w in UNIT_WORDS.items())
    words = (
        "Nothing to rescan by what could be measured."
        if level in (Level.CLEAR, Level.NOTE)
        else grave[0].says
    )
    shown_level = Level.CLEAR if level is Level.NOTE else level
    is_new = record.first_round == view.case.round_number
    return RecordView(
        id=record.id,
        kind="measuring" if is_busy else shown_level.value,
        tag=BUSY_TAG if is_busy else level_tag(shown_level),
        file_name=record.file_name,
        size_words=size_words(record.size_bytes),
        numbers=()
        if is_busy or record.role is None
        else few_numbers(record.file_name, record.role, view.form, report),
        summary="" if is_busy else words,
        reason_ids=() if is_busy else tuple(anchor_of(f) for f in grave),
        replaces_words="Replaces the file of an earlier round."
        if record.replaces and is_new and record.first_round > 1
        else "",
        can_replace=True,
        can_remove=True,
        units=units,
        is_unit_unsure=any(f.rule == "file/unit-doubtful" for f in about),
        guess_words=GUESSED if record.role_is_guessed else "",
        shot=record_shot(record, drawn),
    )


UPLOADS = "/api/v1/uploads"

_FOUND = (Outcome.FAILED, Outcome.DOUBTFUL, Outcome.CRASHED)


def _submit(view: CaseView, report: Report | None, busy: Collection[Role]) -> SubmitView:
    state, label = view.case.state, "Send to the lab"
    if state is CaseState.WITH_LAB:
        return SubmitView(
            False,
            "With the lab",
            "Nothing to do now. Replacing a file takes the case back and opens the next round.",
        )
    if state.is_over:
        return SubmitView(False, "Closed", f"The case is {state.words}.")
    if not view.records:
        return SubmitView(False, label, "Once the first record is here.")
    if any(r.role is None for r in view.records):
        return SubmitView(False, label, "Say first what each file shows.")
    if busy or report is None:
        return SubmitView(
            True,
            label,
            "Some records are still being measured. You can wait for the verdict, or send now.",
            True,
        )
    if report.verdict is Verdict.RETURN:
        says = "Something is to be done again. Better now, while the patient is here, than after the lab has found it too."
        return SubmitView(True, label, says, True)
    guessed = [r.file_name for r in view.records if r.role_is_guessed]
    check = f"Check first what we filled in for {listed(guessed)}. " if guessed else ""
    says = f"{check}The lab sees the case at once. You can still replace a file afterwards."
    return SubmitView(True, label, says)

"""What a clinic changes in its case: the form, and the records of the round under way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from sqlmodel import select

from server.accounts.work import Work
from server.cases.form import keep_form
from server.cases.jobs import GUESS_ROLE, JUDGE_CASE, MEASURE_RECORD
from server.cases.lookup import CaseUnknown, find_case, find_record, records_of, touch
from server.cases.tables import Case, Measuring, Record
from server.cases.turns import open_for_change
from server.kit.ids import new_id
from server.records.case_form import CaseForm, RecordEntry, Spots
from server.records.roles import Role, Unit


@dataclass(frozen=True)
class ArrivedFile:
    """A file that is safe in the store, about to become a record. `replaces`: the id of the record it stands in for."""

    file_name: str
    sha256: str
    size_bytes: int
    role: Role | None
    unit: Unit = Unit.UNKNOWN
    body: str | None = None
    replaces: str | None = None


def change_form(work: Work, case_id: str, form: CaseForm) -> Case:
    """Keeps a new version of the form and judges the case again. Raises CaseUnknown, NotYours, WrongTurn."""
    case = find_case(work, case_id, for_change=True)
    _require_clinic(work)
    if CaseForm.model_validate(case.form) == form:
        return case
    open_for_change(work, case)
    keep_form(work, case, form)
    work.audit("case.form", case.id, round=case.round_number)
    work.portal.jobs.enqueue(work.session, JUDGE_CASE, case.id)
    touch(work, case, "form")
    return case


def add_record(work: Work, case_id: str, file: ArrivedFile) -> Record:
    """A new record of the round under way, to be measured at once. What it replaces leaves that round and stays in
    earlier ones. Spots that the form announces for a file of this name are kept with it; of a file that replaces another they
    would be another surface's. Raises CaseUnknown, NotYours, WrongTurn."""
    case = find_case(work, case_id, for_change=True)
    round_number = open_for_change(work, case)
    present = records_of(work, case.id, round_number)
    if file.replaces is not None:
        replaced = next((r for r in present if r.id == file.replaces), None)
        if replaced is None:
            raise CaseUnknown("There is no such record to replace.")
        replaced.last_round = round_number - 1
        present.remove(replaced)
    announced = expected_entry(CaseForm.model_validate(case.form), file.file_name)
    record = Record(
        id=new_id(),
        case_id=case.id,
        clinic_id=case.clinic_id,
        role=file.role,
        unit=file.unit,
        body=file.body,
        spots=_kept_spots(announced.spots) if announced and file.replaces is None else None,
        file_name=free_name(file.file_name, {r.file_name.casefold() for r in present}),
        sha256=file.sha256,
        size_bytes=file.size_bytes,
        replaces=file.replaces,
        first_round=round_number,
        measuring=Measuring.WAITING if file.role else Measuring.NEEDS_ROLE,
        measuring_since=work.now,
        added_by=work.actor.person_id,
        added_at=work.now,
    )
    work.session.add(record)
    work.session.flush()
    _ask_to_measure(work, record)
    work.audit("record.add", case.id, record=record.id, sha256=record.sha256, round=round_number)
    touch(work, case, "record")
    return record


def change_record(
    work: Work,
    record_id: str,
    *,
    role: Role | None,
    unit: Unit | None = None,
    body: str | None = None,
    spots: tuple[Spots, ...] | None = None,
) -> Record:
    """Says anew what a record is (None leaves as it is), and has it measured as that. Rounds already submitted keep
    what was said then. A role that was filled in and is said again is confirmed. Raises CaseUnknown, NotYours, WrongTurn."""
    record = find_record(work, record_id)
    _require_clinic(work)
    said = {
        "role": role or record.role,
        "unit": unit or record.unit,
        "body": (body or None) if body is not None else record.body,
        "spots": _kept_spots(spots) if spots is not None else record.spots,
    }
    if all(getattr(record, name) == value for name, value in said.items()):
        return _confirmed(work, record) if role and record.role_is_guessed else record
    record, case = _record_for_change(work, record_id)
    if record.first_round < case.round_number:
        kept = record.model_dump()
        record.last_round = case.round_number - 1
        record = Record(**{**kept, "id": new_id(), "first_round": case.round_number, "replaces": None})
        work.session.add(record)
    for name, value in said.items():
        setattr(record, name, value)
    record.role_is_guessed = record.role_is_guessed and role is None
    record.likely_roles = None
    record.measuring = Measuring.WAITING if record.role else Measuring.NEEDS_ROLE
    record.measuring_since = work.now
    work.session.flush()
    _ask_to_measure(work, record)
    work.audit("record.change", case.id, record=record.id, round=case.round_number)
    touch(work, case, "record")
    return record


def _kept_spots(spots: tuple[Spots, ...]) -> list[dict[str, Any]] | None:
    return [one.model_dump(mode="json") for one in spots] or None


def fill_in_role(work: Work, record_id: str, likely: Sequence[Role], *, is_sure: bool) -> None:
    """Writes down what a file without a role probably is, and where that is sure has it measured as that. What a person has
    said meanwhile stands; nothing is done then, nor where the case is over."""
    case_id = work.session.exec(select(Record.case_id).where(Record.id == record_id)).first()
    case = work.session.get(Case, case_id, with_for_update=True) if case_id else None
    record = work.session.get(Record, record_id, populate_existing=True)
    if case is None or record is None or record.role is not None or case.state.is_over:
        return
    record.likely_roles = [role.value for role in likely]
    if is_sure:
        record.role, record.role_is_guessed = likely[0], True
        record.measuring, record.measuring_since = Measuring.WAITING, work.now
        work.portal.jobs.enqueue(work.session, MEASURE_RECORD, record.id)
        work.audit("record.fill-in", case.id, record=record.id, role=likely[0].value)
    touch(work, case, "record")


def remove_record(work: Work, record_id: str) -> None:
    """Takes a record out of the round under way; earlier rounds keep it. Raises CaseUnknown, NotYours, WrongTurn."""
    record, case = _record_for_change(work, record_id)
    record.last_round = case.round_number - 1
    work.audit("record.remove", case.id, record=record.id, round=case.round_number)
    work.portal.jobs.enqueue(work.session, JUDGE_CASE, case.id)
    touch(work, case, "record")


def expected_entry(form: CaseForm, file_name: str) -> RecordEntry | None:
    """What the form says about a file of that name, where it lists its records."""
    wanted = PurePosixPath(file_name).name.casefold()
    return next((e for e in form.records if PurePosixPath(e.file).name.casefold() == wanted), None)


def free_name(wanted: str, taken: set[str]) -> str:
    """The name, or the name with a number before its ending where another record of the round has it."""
    path = PurePosixPath(wanted)
    name, n = wanted, 2
    while name.casefold() in taken:
        name = f"{path.stem} ({n}){path.suffix}"
        n += 1
    return name


def _require_clinic(work: Work) -> None:
    work.require(work.actor.is_clinic, "Only the clinic changes its records and its form.")


def _record_for_change(work: Work, record_id: str) -> tuple[Record, Case]:
    record = find_record(work, record_id)
    case = find_case(work, record.case_id, for_change=True)
    work.session.refresh(record)
    open_for_change(work, case)
    if not record.is_in(case.round_number):
        raise CaseUnknown("The record is not part of the round under way.")
    return record, case


def _confirmed(work: Work, record: Record) -> Record:
    """A person says that what was filled in is right; nothing is measured again."""
    case = find_case(work, record.case_id, for_change=True)
    record.role_is_guessed = False
    work.audit("record.confirm", case.id, record=record.id)
    touch(work, case, "record")
    return record


def _ask_to_measure(work: Work, record: Record) -> None:
    job = {Measuring.WAITING: MEASURE_RECORD, Measuring.NEEDS_ROLE: GUESS_ROLE}.get(record.measuring)
    if job is not None:
        work.portal.jobs.enqueue(work.session, job, record.id)

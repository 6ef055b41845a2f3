"""Finding a case for a person. A case of another clinic and a case that never was give the same answer."""

from __future__ import annotations

from dataclasses import dataclass

from sqlmodel import col, select

from server.accounts.tables import Organisation
from server.accounts.work import Work
from server.cases.tables import Case, Message, Record, Round
from server.errors import NotFound
from server.kit.changes import note_change
from server.records.case_form import CaseForm, RecordEntry, Spots


class CaseUnknown(NotFound):
    code = "case-unknown"


@dataclass(frozen=True)
class CaseView:
    """A case as it stands, with everything that belongs to its current round."""

    case: Case
    clinic_name: str
    round: Round
    rounds: tuple[Round, ...]
    records: tuple[Record, ...]
    messages: tuple[Message, ...]

    @property
    def form(self) -> CaseForm:
        return CaseForm.model_validate(self.case.form)


def find_case(work: Work, case_id: str, *, for_change: bool = False) -> Case:
    """The case, if the actor may see it; `for_change` locks it till the transaction ends. Raises CaseUnknown."""
    query = select(Case).where(Case.id == case_id)
    if work.actor.is_clinic:
        query = query.where(Case.clinic_id == work.actor.organisation_id)
    if for_change:
        query = query.with_for_update()
    case = work.session.exec(query).first()
    if case is None:
        raise CaseUnknown("There is no such case.")
    return case


def find_record(work: Work, record_id: str) -> Record:
    """The record, if the actor may see its case. Raises CaseUnknown."""
    record = work.session.get(Record, record_id)
    if record is None:
        raise CaseUnknown("There is no such record.")
    if work.actor.is_clinic and record.clinic_id != work.actor.organisation_id:
        raise CaseUnknown("There is no such record.")
    return record


def find_record_of(work: Work, case_id: str, record_id: str) -> Record:
    """The same for a record of one case. Raises CaseUnknown."""
    record = find_record(work, record_id)
    if record.case_id != case_id:
        raise CaseUnknown("There is no such record.")
    return record


def current_round(work: Work, case: Case) -> Round:
    return work.session.exec(
        select(Round).where(Round.case_id == case.id, Round.number == case.round_number)
    ).one()


def rounds_of(work: Work, case_id: str) -> list[Round]:
    return list(work.session.exec(select(Round).where(Round.case_id == case_id).order_by(col(Round.number))))


def records_of(work: Work, case_id: str, round_number: int) -> list[Record]:
    """The records of one round, in the order in which they came."""
    query = select(Record).where(Record.case_id == case_id).order_by(col(Record.added_at), col(Record.id))
    return [record for record in work.session.exec(query) if record.is_in(round_number)]


def messages_of(work: Work, case_id: str) -> list[Message]:
    """The thread of a case, oldest first."""
    query = select(Message).where(Message.case_id == case_id).order_by(col(Message.at), col(Message.id))
    return list(work.session.exec(query))


def case_view(work: Work, case_id: str) -> CaseView:
    """Everything a page about a case needs, findings apart. Raises CaseUnknown."""
    case = find_case(work, case_id)
    rounds = rounds_of(work, case.id)
    return CaseView(
        case=case,
        clinic_name=work.session.get_one(Organisation, case.clinic_id).name,
        round=next(r for r in rounds if r.number == case.round_number),
        rounds=tuple(rounds),
        records=tuple(records_of(work, case.id, case.round_number)),
        messages=tuple(messages_of(work, case.id)),
    )


def form_with_records(form: CaseForm, records: list[Record]) -> CaseForm:
    """The form as it is judged: its records are those that arrived and whose role is known."""
    entries = tuple(entry_of(record) for record in records if record.role is not None)
    return form.model_copy(update={"records": entries})


def entry_of(record: Record) -> RecordEntry:
    """What is said of a record. Raises ValueError where its role is not known."""
    if record.role is None:
        raise ValueError("the record has no role yet")
    return RecordEntry(
        role=record.role,
        file=record.file_name,
        unit=record.unit,
        body=record.body,
        spots=tuple(Spots.model_validate(spots) for spots in record.spots or ()),
    )


def touch(work: Work, case: Case, kind: str) -> None:
    """Marks the case as changed and tells the pages that show it."""
    case.updated_at = work.now
    topics = (f"case:{case.id}", f"clinic:{case.clinic_id}", "queue")
    note_change(work.session, topics, kind, work.now)

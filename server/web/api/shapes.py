"""What the interface takes and gives, as JSON. Tables are never shown as they are."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field

from server.cases.lookup import CaseView
from server.cases.tables import Case, CaseState, Measuring, Message, MessageKind, Record, Round
from server.inspection.report import Verdict
from server.records.case_form import CaseForm, Spots
from server.records.roles import Role, Unit
from server.rules.finding import Finding


class Taken(BaseModel):
    """What is sent: a field that we do not know is an error that names it."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Shown(BaseModel):
    model_config = ConfigDict(frozen=True)


class CaseLineShape(Shown):
    id: str
    clinic_id: str
    clinic: str = Field(description="The clinic's name.")
    patient_code: str
    state: CaseState = Field(description="Whose turn it is.")
    round: int
    needed_by: datetime | None
    verdict: Verdict | None = Field(
        description="Of the round at hand; null until there is one, and while a round is open and only lacks what has not "
        "come yet."
    )
    says: str = Field(description="The verdict in one sentence.")
    open_returns: int = Field(description="Findings at return that nobody has waived.")
    open_looks: int = Field(description="Findings at look that nobody has waived.")
    created_at: datetime
    updated_at: datetime
    submitted_at: datetime | None

    @classmethod
    def of(cls, case: Case, clinic_name: str) -> CaseLineShape:
        return cls.model_validate(_line(case, clinic_name))


class CaseListShape(Shown):
    cases: list[CaseLineShape]
    next_cursor: str | None = Field(description="Send it as cursor for the next page; null on the last one.")


class RoundShape(Shown):
    number: int
    opened_at: datetime
    submitted_at: datetime | None = Field(description="null while the round is being prepared.")

    @classmethod
    def of(cls, round_: Round) -> RoundShape:
        return cls(number=round_.number, opened_at=round_.opened_at, submitted_at=round_.submitted_at)


class RecordShape(Shown):
    id: str
    file_name: str
    role: Role | None = Field(
        description="null until somebody has said what the file is, or its shape has told."
    )
    role_is_guessed: bool = Field(
        description="The role was filled in from the shape of the file; say it with PATCH to confirm it, or say another."
    )
    likely_roles: list[Role] | None = Field(
        description="What a file that came without a role probably is, by its shape, the likeliest first; empty where nothing "
        "can be said, null where it was not looked at."
    )
    unit: Unit
    body: str | None = Field(description="The reference body that a marker mesh shows.")
    spots: list[Spots] | None = Field(description="Scan bodies matched by hand.")
    measuring: Measuring
    sha256: str
    size_bytes: int
    replaces: str | None = Field(description="The record that it stands in for.")
    first_round: int
    added_at: datetime

    @classmethod
    def of(cls, record: Record) -> RecordShape:
        return cls.model_validate(record.model_dump(include=set(cls.model_fields)))


class CaseShape(CaseLineShape):
    form: CaseForm = Field(
        description="The form as it stands. Its records are what it announces, if it does."
    )
    records: list[RecordShape] = Field(description="The records of the round at hand.")
    rounds: list[RoundShape]
    is_judged: bool = Field(
        description="Whether verdict, says and the report rest on the form and the records as they are now. "
        "While it is false, something is still being measured or judged: ask again."
    )

    @classmethod
    def of_view(cls, view: CaseView, *, is_judged: bool) -> CaseShape:
        more = {
            "form": view.form,
            "records": [RecordShape.of(r) for r in view.records],
            "rounds": [RoundShape.of(r) for r in view.rounds],
            "is_judged": is_judged,
        }
        return cls.model_validate(_line(view.case, view.clinic_name) | more)


class RecordListShape(Shown):
    records: list[RecordShape]


class RecordChange(Taken):
    """What a record is; a field that is left out stays as it is."""

    role: Role | None = None
    unit: Unit | None = None
    body: str | None = Field(default=None, max_length=200, description="An empty text takes it away.")
    spots: tuple[Spots, ...] | None = Field(
        default=None,
        max_length=16,
        description="Scan bodies matched by hand, where they are not found by themselves; an empty list takes them away.",
    )


class MessageShape(Shown):
    id: str
    round: int
    kind: MessageKind
    from_name: str
    from_lab: bool
    text: str
    at: datetime

    @classmethod
    def of(cls, message: Message) -> MessageShape:
        kept = message.model_dump(include=set(cls.model_fields))
        return cls.model_validate({**kept, "round": message.round_number})


class MessageListShape(Shown):
    messages: list[MessageShape]


class Words(Taken):
    text: str = Field(description="1 to 4000 characters.")


class WaiverShape(Shown):
    reason: str
    by: str
    has_consent: bool
    at: datetime


class FindingShape(Finding):
    """A finding of the report, with the key by which it is waived."""

    key: str
    waived: WaiverShape | None = None


class FindingListShape(Shown):
    round: int
    findings: list[FindingShape]


class WaiverGiven(Taken):
    finding: str = Field(description="The finding's key.", max_length=64)
    reason: str = Field(description="10 to 2000 characters.")
    consent: bool = Field(
        default=False, description="Whether the prescriber agreed; needed for a finding at return."
    )


def _line(case: Case, clinic_name: str) -> dict[str, object]:
    return {
        "id": case.id,
        "clinic_id": case.clinic_id,
        "clinic": clinic_name,
        "patient_code": case.patient_code,
        "state": case.state,
        "round": case.round_number,
        "needed_by": case.needed_by,
        "verdict": case.verdict,
        "says": case.headline,
        "open_returns": case.open_returns,
        "open_looks": case.open_looks,
        "created_at": case.created_at,
        "updated_at": case.updated_at,
        "submitted_at": case.submitted_at,
    }

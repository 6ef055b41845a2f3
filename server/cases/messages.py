"""The thread between clinic and lab."""

from __future__ import annotations

from server.accounts.work import Work
from server.cases.lookup import find_case, touch
from server.cases.tables import Case, Message, MessageKind
from server.errors import BadRequest
from server.kit.ids import new_id

MAX_LENGTH = 4000


class MessageUnusable(BadRequest):
    code = "message"
    http_status = 422


def post_message(work: Work, case_id: str, text: str) -> Message:
    """Adds to the thread. Raises CaseUnknown, MessageUnusable."""
    case = find_case(work, case_id, for_change=True)
    return write_message(work, case, text, MessageKind.NOTE)


def write_message(work: Work, case: Case, text: str, kind: MessageKind) -> Message:
    """A message of that kind. Raises MessageUnusable where nothing, or too much, was written."""
    clean = text.strip().replace("\0", "")
    if not clean or len(clean) > MAX_LENGTH:
        raise MessageUnusable(f"A message has 1 to {MAX_LENGTH} characters.")
    message = Message(
        id=new_id(),
        case_id=case.id,
        round_number=case.round_number,
        kind=kind,
        person_id=work.actor.person_id,
        from_name=work.actor.name,
        from_lab=work.actor.is_lab,
        text=clean,
        at=work.now,
    )
    work.session.add(message)
    work.audit("message.add", case.id, message=message.id)
    touch(work, case, "message")
    return message

"""Mails: that a case came back, or was released, and where to look; nothing of what is in it.

Source: RFC 5322 (Date, Message-ID), RFC 3834 (Auto-Submitted), from memory.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP, SMTPUTF8
from email.utils import format_datetime

import aiosmtplib

from server.accounts.people import EmailUnusable, actor_of, clean_email
from server.accounts.tables import Person
from server.accounts.work import Work
from server.cases.tables import Case, CaseState
from server.errors import ArchproofError
from server.kit.mail_server import MailServer
from server.kit.settings import Settings
from server.notices.choices import who_wants
from server.notices.outcome import Came, Outcome
from server.notices.tables import Event, Notice

WHOLE_S = 30.0

_SUBJECTS = {
    Event.RETURNED: "A case came back from the lab",
    Event.RELEASED: "A case was released to design",
}
_WORDS = {
    Event.RETURNED: "A case of yours came back from the lab. Open it to see what to rescan and why:",
    Event.RELEASED: "The lab has released a case of yours to design. Open it to see what\n"
    "was accepted, and what could not be measured:",
}


class Unwritable(ArchproofError):
    """A receiver's address is none that can stand in a mail."""

    code = "unwritable"


@dataclass(frozen=True)
class Letter:
    """A mail, ready to be handed in."""

    message: EmailMessage
    sender: str
    receiver: str


def letter_for(work: Work, notice: Notice) -> Letter | None:
    """The mail that a notice asks for; None where its receiver no longer wants it or the case has moved on.

    Raises Unwritable.
    """
    person = work.session.get(Person, notice.person_id)
    case = work.session.get(Case, notice.case_id)
    if person is None or case is None or _is_overtaken(notice, case):
        return None
    actor = actor_of(work, person.id)
    if actor is None or actor.organisation_id != case.clinic_id:
        return None
    if person.id not in {p.id for p in who_wants(work, case.clinic_id, notice.event)}:
        return None
    settings = work.portal.settings
    return Letter(message_of(settings, notice, person.email), settings.mail_from, person.email)


def _is_overtaken(notice: Notice, case: Case) -> bool:
    is_still_returned = case.state is CaseState.WITH_CLINIC and case.round_number == notice.round_number
    return notice.event is Event.RETURNED and not is_still_returned


def message_of(settings: Settings, notice: Notice, receiver: str) -> EmailMessage:
    """The mail's text and headers, the same at every try. Raises Unwritable."""
    sender_domain = settings.mail_from.rpartition("@")[2]
    message = EmailMessage(policy=SMTP if receiver.isascii() else SMTPUTF8)
    message["From"] = Address("Archproof", addr_spec=settings.mail_from)
    message["To"] = _address(receiver)
    message["Subject"] = _SUBJECTS[notice.event]
    message["Date"] = format_datetime(notice.at)
    message["Message-ID"] = f"<{notice.id}@{sender_domain}>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(
        f"{_WORDS[notice.event]}\n\n{settings.address}/cases/{notice.case_id}\n\n"
        "Sign in as always; this mail gives no access by itself.\n"
        f"You choose which mails you get here:\n{settings.address}/notices\n"
    )
    return message


def _address(receiver: str) -> Address:
    local, _, domain = receiver.rpartition("@")
    try:
        if clean_email(receiver) == receiver:
            return Address(username=local, domain=domain)
    except (EmailUnusable, ValueError) as fault:
        raise Unwritable("The receiver’s address cannot be written to.") from fault
    raise Unwritable("The receiver’s address cannot be written to.")


def hand_in(server: MailServer, letter: Letter) -> Outcome:
    """Hands a mail to the server. What the server says to it is kept as a number alone."""
    try:
        asyncio.run(_hand_in(server, letter))
    except aiosmtplib.SMTPRecipientsRefused as refused:
        code = max((recipient.code for recipient in refused.recipients), default=0)
        came = Came.NEVER if code >= 500 else Came.AGAIN
        return Outcome(came, f"The mail server refused the receiver ({code}).")
    except aiosmtplib.SMTPAuthenticationError as refused:
        return Outcome(Came.AGAIN, f"The mail server refused the name or the password ({refused.code}).")
    except aiosmtplib.SMTPResponseException as refused:
        return Outcome(Came.AGAIN, f"The mail server refused ({refused.code}).")
    except (TimeoutError, aiosmtplib.SMTPTimeoutError):
        return Outcome(Came.AGAIN, f"The mail server did not answer within {WHOLE_S:g} seconds.")
    except aiosmtplib.SMTPNotSupported:
        if letter.receiver.isascii():
            return Outcome(Came.AGAIN, "The mail server does not know the way of signing in.")
        return Outcome(Came.NEVER, "The mail server does not write to addresses in such letters.")
    except (aiosmtplib.SMTPException, OSError):
        return Outcome(Came.AGAIN, "No connection to the mail server, or it broke off.")
    return Outcome(Came.SENT, "Taken by the mail server.")


async def _hand_in(server: MailServer, letter: Letter) -> None:
    async with asyncio.timeout(WHOLE_S):
        await aiosmtplib.send(
            letter.message,
            sender=letter.sender,
            recipients=[letter.receiver],
            hostname=server.host,
            port=server.port,
            username=server.user,
            password=server.password,
            use_tls=server.is_tls,
            start_tls=None if server.is_tls else server.needs_starttls,
            timeout=WHOLE_S,
        )

"""The outbox: a notice per receiver, written in the transaction of the deed it tells of, and sent by a job."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import col, delete, func, or_, select

from server.accounts.people import find_lab
from server.accounts.tables import Organisation, Person
from server.accounts.work import PORTAL, Work, reading, writing
from server.cases.tables import Case
from server.kit.ids import new_id
from server.kit.jobs import Job, Lane
from server.kit.portal import Portal
from server.notices.choices import who_wants
from server.notices.tables import Event, Notice, NoticeState, Way, Webhook

SEND_NOTICE = Job("send-notice", Lane.OUTWARD)
"""Argument: a notice's id. Sends it, where it is due."""

ASKED_AT_ONCE = 500
ASKED_AGAIN_AFTER = timedelta(minutes=15)
KEPT_FOR = timedelta(days=30)
TROUBLES_SHOWN = 20


def announce(work: Work, case: Case, event: Event) -> None:
    """Writes to everybody who is to hear of it: the people of the clinic who want mail, the addresses of the clinic and
    of the lab."""
    for person in who_wants(work, case.clinic_id, event):
        _write(work, _notice(work, Way.MAIL, event, case, person_id=person.id))
    for webhook in _webhooks_for(work, case):
        _write(work, _notice(work, Way.WEBHOOK, event, case, webhook_id=webhook.id))


def write_trial(work: Work, webhook: Webhook) -> Notice:
    """A notice that only tries an address."""
    notice = _notice(work, Way.WEBHOOK, Event.TRIAL, None, webhook_id=webhook.id)
    _write(work, notice)
    return notice


def _webhooks_for(work: Work, case: Case) -> list[Webhook]:
    lab = find_lab(work)
    hearing = [case.clinic_id, *([lab.id] if lab is not None else [])]
    query = (
        select(Webhook)
        .join(Organisation, col(Organisation.id) == col(Webhook.organisation_id))
        .where(col(Webhook.organisation_id).in_(hearing), col(Organisation.disabled_at).is_(None))
        .order_by(col(Webhook.made_at), col(Webhook.id))
    )
    return list(work.session.exec(query))


def _notice(
    work: Work,
    way: Way,
    event: Event,
    case: Case | None,
    *,
    person_id: str | None = None,
    webhook_id: str | None = None,
) -> Notice:
    return Notice(
        id=new_id(),
        way=way,
        event=event,
        case_id=case.id if case is not None else None,
        round_number=case.round_number if case is not None else None,
        person_id=person_id,
        webhook_id=webhook_id,
        at=work.now,
        state=NoticeState.WAITING,
        next_try_at=work.now,
        asked_at=work.now,
    )


def _write(work: Work, notice: Notice) -> None:
    work.session.add(notice)
    work.session.flush()
    if notice.way in ways_open(work.portal):
        work.portal.jobs.enqueue(work.session, SEND_NOTICE, notice.id)


def ways_open(portal: Portal) -> tuple[Way, ...]:
    """What can be sent under these settings; the rest waits."""
    return tuple(Way) if portal.settings.mail_server is not None else (Way.WEBHOOK,)


def ask_for_due(portal: Portal) -> int:
    """Asks for every notice that is due and has not just been asked for; how many. This is what tries again after a
    pause, and what finds a notice whose sender died."""
    now = portal.clock.now()
    is_unasked = or_(
        col(Notice.asked_at) < col(Notice.next_try_at), col(Notice.asked_at) < now - ASKED_AGAIN_AFTER
    )
    query = (
        select(Notice.id)
        .where(Notice.state == NoticeState.WAITING, col(Notice.next_try_at) <= now, is_unasked)
        .where(col(Notice.way).in_(ways_open(portal)))
        .order_by(col(Notice.next_try_at))
        .limit(ASKED_AT_ONCE)
    )
    with reading(portal, PORTAL) as work:
        due = list(work.session.exec(query))
    for notice_id in due:
        with writing(portal, PORTAL) as work:
            notice = work.session.get(Notice, notice_id, with_for_update=True)
            if notice is not None and notice.state is NoticeState.WAITING:
                notice.asked_at = now
                portal.jobs.enqueue(work.session, SEND_NOTICE, notice_id)
    return len(due)


def forget_old_notices(work: Work) -> None:
    """Removes what came to an end a month ago."""
    work.session.execute(delete(Notice).where(col(Notice.ended_at) < work.now - KEPT_FOR))


@dataclass(frozen=True)
class Trouble:
    """A mail that was given up, or that has been tried in vain and waits."""

    notice: Notice
    person_name: str
    place: str


@dataclass(frozen=True)
class MailStanding:
    """How the mails stand: waiting of any age; sent and given up in the last month."""

    waiting: int
    oldest_at: datetime | None
    sent: int
    given_up: int
    troubles: tuple[Trouble, ...]


def mail_standing(work: Work) -> MailStanding:
    """For whoever runs the portal. Raises NotYours to anybody else."""
    work.require(work.actor.is_administrator, "Only an administrator looks into the outbox.")
    query = select(Notice.state, func.count(), func.min(Notice.at)).where(Notice.way == Way.MAIL)
    rows = work.session.exec(query.group_by(col(Notice.state))).all()
    counts = {state: count for state, count, _ in rows}
    firsts = {state: first for state, _, first in rows}
    return MailStanding(
        waiting=counts.get(NoticeState.WAITING, 0),
        oldest_at=firsts.get(NoticeState.WAITING),
        sent=counts.get(NoticeState.SENT, 0),
        given_up=counts.get(NoticeState.GIVEN_UP, 0),
        troubles=_troubles(work),
    )


def _troubles(work: Work) -> tuple[Trouble, ...]:
    is_in_vain = or_(
        Notice.state == NoticeState.GIVEN_UP,
        (col(Notice.state) == NoticeState.WAITING) & (col(Notice.tries) > 0),
    )
    query = (
        select(Notice, Person.name, Organisation.name)
        .join(Person, col(Person.id) == col(Notice.person_id))
        .join(Organisation, col(Organisation.id) == col(Person.organisation_id))
        .where(Notice.way == Way.MAIL, is_in_vain)
        .order_by(col(Notice.at).desc())
        .limit(TROUBLES_SHOWN)
    )
    return tuple(Trouble(notice, name, place) for notice, name, place in work.session.exec(query))

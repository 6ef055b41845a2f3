"""Sending what lies in the outbox: claimed first, sent outside any transaction, then marked.

A claim moves the next try into the future, so that a job that is run twice sends once. Where a sender dies between
sending and marking, the notice is sent again after the pause: at least once, under the same id.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from server.accounts.work import PORTAL, writing
from server.kit.jobs import Doing, Job
from server.kit.logs import log
from server.kit.portal import Portal
from server.notices.deliveries import Delivery, deliver, delivery_for
from server.notices.letters import Letter, Unwritable, hand_in, letter_for
from server.notices.outbox import SEND_NOTICE, ways_open
from server.notices.outcome import Came, Outcome
from server.notices.tables import Event, Notice, NoticeState, Way

PAUSES = tuple(timedelta(minutes=m) for m in (1, 5, 15, 60, 180, 360, 720))
"""After the first failure, the second, …; after the last of them one more try, then it is given up: eight tries in about
22 hours. Each is longer than any attempt may take."""

TRIES = len(PAUSES) + 1
TOO_OLD = timedelta(days=2)
"""A notice that has waited so long (no mail server, no worker) is not sent any more."""

Errand = Letter | Delivery


def doings(portal: Portal) -> Mapping[Job, Doing]:
    """What a job of sending does."""
    return {SEND_NOTICE: Doing(lambda notice_id: send_one(portal, notice_id))}


def send_one(portal: Portal, notice_id: str) -> None:
    """Sends a notice, where it is due and still wanted, and keeps what came of it."""
    errand = _claim(portal, notice_id)
    if errand is not None:
        _keep(portal, notice_id, _carry_out(portal, errand))


def _claim(portal: Portal, notice_id: str) -> Errand | None:
    """What to send, taken for this job alone until the pause is over; None where nothing is to be sent now."""
    with writing(portal, PORTAL) as work:
        notice = work.session.get(Notice, notice_id, with_for_update=True)
        if notice is None or notice.state is not NoticeState.WAITING or notice.next_try_at > work.now:
            return None
        if notice.way not in ways_open(portal):
            return None
        if notice.tries >= tries_of(notice):
            _end(portal, notice, NoticeState.GIVEN_UP, notice.says or "Broken off on our side.")
            return None
        if work.now - notice.at > TOO_OLD:
            _end(
                portal,
                notice,
                NoticeState.GIVEN_UP,
                "It waited for more than two days; too late to be of use.",
            )
            return None
        try:
            errand = letter_for(work, notice) if notice.way is Way.MAIL else delivery_for(work, notice)
        except Unwritable as fault:
            _end(portal, notice, NoticeState.GIVEN_UP, fault.says)
            return None
        if errand is None:
            _end(portal, notice, NoticeState.DROPPED, "No longer wanted.")
            return None
        notice.tries += 1
        notice.next_try_at = work.now + PAUSES[min(notice.tries, len(PAUSES)) - 1]
        return errand


def _carry_out(portal: Portal, errand: Errand) -> Outcome:
    if isinstance(errand, Delivery):
        return deliver(portal.outward, errand, portal.clock.now())
    server = portal.settings.mail_server
    assert server is not None  # nothing is claimed without
    return hand_in(server, errand)


def _keep(portal: Portal, notice_id: str, outcome: Outcome) -> None:
    with writing(portal, PORTAL) as work:
        notice = work.session.get(Notice, notice_id, with_for_update=True)
        if notice is None or notice.state is not NoticeState.WAITING:
            return
        notice.says = outcome.says
        if outcome.came is Came.SENT:
            _end(portal, notice, NoticeState.SENT, outcome.says)
        elif outcome.came is Came.NEVER or notice.tries >= tries_of(notice):
            _end(portal, notice, NoticeState.GIVEN_UP, outcome.says)


def tries_of(notice: Notice) -> int:
    """How often a notice is tried: a trial once, so that its outcome is seen at once."""
    return 1 if notice.event is Event.TRIAL else TRIES


def _end(portal: Portal, notice: Notice, state: NoticeState, says: str) -> None:
    notice.state, notice.says, notice.ended_at = state, says, portal.clock.now()
    if state is NoticeState.GIVEN_UP:
        log().warning("notice given up", argument=notice.id, attempt=notice.tries)

"""Sending: tried again after growing pauses, given up in the end, and once only by a job that is run twice."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from server.accounts.work import reading, writing
from server.kit.outward import Outward
from server.notices.outbox import ASKED_AGAIN_AFTER, ask_for_due
from server.notices.sending import PAUSES, TOO_OLD, TRIES, send_one
from server.notices.tables import NoticeState, Way
from server.notices.webhooks import change_secret, own_webhooks, remove, try_out
from tests.notices.house import give_back, hook, later, notices, reaching, send, with_mail
from tests.notices.receivers import PostOffice, Receiver, post_office, receiving
from tests.portal.house import CLINIC, House, open_house


class Killed(BaseException):
    """The process dies here."""


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as made:
        yield made


@pytest.fixture
def house(tmp_path: Path, receiver: Receiver) -> House:
    made = reaching(open_house(tmp_path), receiver)
    hook(made, receiver)
    return made


@pytest.fixture
def office() -> Iterator[PostOffice]:
    with post_office() as made:
        yield made


def the_delivery(house: House) -> str:
    (notice,) = [n for n in notices(house) if n.way is Way.WEBHOOK]
    return notice.id


def test_a_job_that_is_run_twice_sends_once(house: House, receiver: Receiver) -> None:
    give_back(house)
    notice_id = the_delivery(house)
    for _ in range(3):
        send_one(house.portal, notice_id)
    assert [a.id for a in receiver.arrived] == [notice_id]


def test_a_job_whose_notice_is_gone_does_nothing(house: House, receiver: Receiver) -> None:
    send_one(house.portal, "0" * 24)
    assert receiver.arrived == []


def test_killed_after_sending_it_is_sent_again_after_a_pause_under_the_same_id(
    house: House, receiver: Receiver
) -> None:
    give_back(house)
    notice_id = the_delivery(house)

    class Dying(Outward):
        def post(self, *given: object) -> int:
            receiver.outward().post(*given)  # type: ignore[arg-type]
            raise Killed

    dying = replace(house.portal, outward=Dying())
    with pytest.raises(Killed):
        send_one(dying, notice_id)
    send_one(house.portal, notice_id)  # the job is taken up again after the restart
    assert len(receiver.arrived) == 1
    assert later(house, PAUSES[0].total_seconds() - 1) == 0
    assert later(house, 1) == 1
    send(house)
    assert [a.id for a in receiver.arrived] == [notice_id, notice_id]
    assert len({a.body for a in receiver.arrived}) == 1
    assert later(house, 86400) == 0


def test_killed_before_sending_it_is_sent_once(house: House, receiver: Receiver) -> None:
    give_back(house)

    class Dying(Outward):
        def post(self, *given: object) -> int:
            raise Killed

    with pytest.raises(Killed):
        send_one(replace(house.portal, outward=Dying()), the_delivery(house))
    assert later(house, PAUSES[0].total_seconds()) == 1
    send(house)
    assert len(receiver.arrived) == 1


def test_pauses_grow_and_the_last_failure_is_seen(house: House, receiver: Receiver) -> None:
    receiver.statuses = [500] * 20
    give_back(house)
    send(house)
    for number, pause in enumerate(PAUSES, 1):
        assert len(receiver.arrived) == number
        assert later(house, pause.total_seconds() - 1) == 0
        assert later(house, 1) == 1
        assert ask_for_due(house.portal) == 0
        send(house)
    assert len(receiver.arrived) == TRIES == 8
    (notice,) = [n for n in notices(house) if n.way is Way.WEBHOOK]
    assert (notice.state, notice.tries, notice.says) == (NoticeState.GIVEN_UP, TRIES, "Answered 500.")
    assert later(house, 86400) == 0
    assert list(PAUSES) == sorted(set(PAUSES))
    assert sum(p.total_seconds() for p in PAUSES) < TOO_OLD.total_seconds()


def test_it_recovers(house: House, receiver: Receiver) -> None:
    receiver.statuses = [503, 200]
    give_back(house)
    send(house)
    (waiting,) = [n for n in notices(house) if n.way is Way.WEBHOOK]
    assert (waiting.state, waiting.says) == (NoticeState.WAITING, "Answered 503.")
    later(house, PAUSES[0].total_seconds())
    send(house)
    (notice,) = [n for n in notices(house) if n.way is Way.WEBHOOK]
    assert (notice.state, notice.tries, notice.says) == (NoticeState.SENT, 2, "Answered 200.")


@pytest.mark.parametrize(
    ("status", "state"), [(410, "given-up"), (302, "waiting"), (404, "waiting"), (201, "sent")]
)
def test_what_an_answer_means(house: House, receiver: Receiver, status: int, state: str) -> None:
    receiver.statuses = [status]
    give_back(house)
    send(house)
    (notice,) = [n for n in notices(house) if n.way is Way.WEBHOOK]
    assert notice.state.value == state
    assert str(status) in notice.says


def test_a_name_that_has_moved_within_walls_is_refused_again_at_sending(
    house: House, receiver: Receiver
) -> None:
    give_back(house)
    moved = replace(house, portal=replace(house.portal, outward=receiver.outward("10.0.0.1")))
    send(moved)
    (notice,) = [n for n in notices(house) if n.way is Way.WEBHOOK]
    assert notice.state is NoticeState.GIVEN_UP
    assert "not known on the public internet" in notice.says
    assert receiver.arrived == []


def test_a_job_that_was_lost_is_asked_for_again(house: House, receiver: Receiver) -> None:
    give_back(house)
    house.waiting.jobs.clear()
    assert later(house, ASKED_AGAIN_AFTER.total_seconds()) == 0
    assert later(house, 1) == 1
    send(house)
    assert len(receiver.arrived) == 1


def test_a_removed_address_gets_nothing_more(house: House, receiver: Receiver) -> None:
    give_back(house)
    with writing(house.portal, house.actors[CLINIC]) as work:
        remove(work, notices(house)[-1].webhook_id or "")
    assert [n.way for n in notices(house)] == [Way.MAIL]
    send(house)
    assert receiver.arrived == []


def test_a_trial_is_tried_once(house: House, receiver: Receiver) -> None:
    (webhook_id,) = _hooks(house)
    receiver.statuses = [500]
    with writing(house.portal, house.actors[CLINIC]) as work:
        try_out(work, webhook_id)
    send(house)
    (notice,) = notices(house)
    assert (notice.state, notice.tries) == (NoticeState.GIVEN_UP, 1)
    assert receiver.arrived[0].told["type"] == "webhook.trial"


def test_while_a_secret_is_changed_both_sign_for_a_day(house: House, receiver: Receiver) -> None:
    (webhook_id,) = _hooks(house)
    old = _hooks(house)[webhook_id]
    with writing(house.portal, house.actors[CLINIC]) as work:
        new = change_secret(work, webhook_id).secret
    house.clock.advance(86399)
    for late in (False, True):
        house.clock.advance(2 if late else 0)
        with writing(house.portal, house.actors[CLINIC]) as work:
            try_out(work, webhook_id)
        send(house)
        signatures = receiver.arrived[-1].headers["webhook-signature"].split(" ")
        assert len(signatures) == (1 if late else 2)
    assert old != new


def _hooks(house: House) -> dict[str, str]:
    """The clinic's webhooks: the secret by id."""
    with reading(house.portal, house.actors[CLINIC]) as work:
        return {w.id: w.secret for w in own_webhooks(work)}


def test_a_mail_is_tried_again_and_goes_once(tmp_path: Path, office: PostOffice) -> None:
    house = with_mail(tmp_path, office)
    office.to_receiver, office.to_mail = ["451 later", "250 OK"], ["452 full"]
    give_back(house)
    send(house)
    (notice,) = notices(house)
    assert (notice.state, notice.says) == (NoticeState.WAITING, "The mail server refused the receiver (451).")
    later(house, PAUSES[0].total_seconds())
    send(house)
    assert notices(house)[0].says == "The mail server refused (452)."
    later(house, PAUSES[1].total_seconds())
    send(house)
    (notice,) = notices(house)
    assert (notice.state, notice.tries) == (NoticeState.SENT, 3)
    send_one(house.portal, notice.id)
    assert [m["Message-ID"] for m in office.taken] == [f"<{notice.id}@lab.example>"]


def test_a_mail_server_that_is_away_is_asked_again(tmp_path: Path) -> None:
    with post_office() as gone:
        house = with_mail(tmp_path, gone)
    give_back(house)
    send(house)
    (notice,) = notices(house)
    assert (notice.state, notice.tries) == (NoticeState.WAITING, 1)
    assert notice.says == "No connection to the mail server, or it broke off."

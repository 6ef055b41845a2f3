"""Who hears of what, and that a notice lives and dies with the deed it tells of."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from server.accounts.people import add_person, disable_person
from server.accounts.tables import Organisation, Person, PersonRole
from server.accounts.work import PORTAL, NotYours, reading, writing
from server.cases.turns import WrongTurn
from server.kit.clock import SetClock
from server.kit.database import Database
from server.notices.choices import Wanted, choose, own_choice
from server.notices.outbox import KEPT_FOR, SEND_NOTICE, forget_old_notices, mail_standing
from server.notices.tables import Event, Way
from server.review.deciding import return_case
from tests.notices.house import give_back, hook, later, let_go, notices, reaching, send, with_lab, with_mail
from tests.notices.receivers import PostOffice, Receiver, post_office, receiving
from tests.portal.house import CLINIC, LAB, OTHER, House, Waiting, open_house, password_hash


@pytest.fixture
def office() -> Iterator[PostOffice]:
    with post_office() as made:
        yield made


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as made:
        yield made


@pytest.fixture
def house(tmp_path: Path, office: PostOffice, receiver: Receiver) -> House:
    return reaching(with_mail(tmp_path, office), receiver)


def join(house: House, email: str) -> str:
    with writing(house.portal, PORTAL) as work:
        clinic = work.session.get_one(Organisation, house.actors[CLINIC].organisation_id)
        return add_person(work, clinic, PersonRole.CLINIC, email, "Noor Quayle", password_hash()).id


def test_the_people_of_the_clinic_hear_of_a_return_and_nobody_else(house: House, office: PostOffice) -> None:
    join(house, "noor@weir.example")
    give_back(house)
    send(house)
    assert sorted(e.rcpt_tos[0] for e in office.envelopes) == [CLINIC, "noor@weir.example"]
    assert {m["Subject"] for m in office.taken} == {"A case came back from the lab"}


def test_of_a_release_too(house: House, office: PostOffice) -> None:
    let_go(house)
    send(house)
    (mail,) = office.taken
    assert mail["Subject"] == "A case was released to design"


@pytest.mark.parametrize(
    ("wanted", "events"),
    [
        (Wanted(), {Event.RETURNED, Event.RELEASED}),
        (Wanted(returned=False), {Event.RELEASED}),
        (Wanted(released=False), {Event.RETURNED}),
        (Wanted(returned=False, released=False), set()),
    ],
)
def test_each_chooses_their_own_mails(house: House, wanted: Wanted, events: set[Event]) -> None:
    with writing(house.portal, house.actors[CLINIC]) as work:
        assert own_choice(work) == Wanted()
        choose(work, wanted)
    with reading(house.portal, house.actors[CLINIC]) as work:
        assert own_choice(work) == wanted
    with reading(house.portal, house.actors[OTHER]) as work:
        assert own_choice(work) == Wanted()
    give_back(house)
    let_go(house)
    assert {n.event for n in notices(house)} == events


def test_no_mail_goes_to_the_lab(house: House) -> None:
    with writing(house.portal, house.actors[LAB]) as work, pytest.raises(NotYours):
        choose(work, Wanted())


def test_webhooks_hear_of_their_own_cases_and_the_labs_of_all(house: House, receiver: Receiver) -> None:
    hooks = {who: hook(house, receiver, who).id for who in (CLINIC, OTHER, LAB)}
    give_back(house)
    told = [n.webhook_id for n in notices(house) if n.way is Way.WEBHOOK]
    assert sorted(told) == sorted([hooks[CLINIC], hooks[LAB]])  # type: ignore[type-var]


def test_a_deed_that_is_undone_tells_nobody(house: House, receiver: Receiver) -> None:
    hook(house, receiver)
    case_id = with_lab(house)
    house.waiting.jobs.clear()
    with suppress(RuntimeError), writing(house.portal, house.actors[LAB]) as work:
        return_case(work, case_id, "Undone.")
        raise RuntimeError("the disk is full")
    assert notices(house) == []
    with writing(house.portal, house.actors[LAB]) as work:
        return_case(work, case_id, "Back.")
        with pytest.raises(WrongTurn):
            return_case(work, case_id, "Back.")
    assert [n.way for n in notices(house)] == [Way.MAIL, Way.WEBHOOK]


def test_who_has_left_since_gets_no_mail(house: House, office: PostOffice) -> None:
    person_id = join(house, "noor@weir.example")
    give_back(house)
    with writing(house.portal, house.actors[LAB]) as work:
        disable_person(work, person_id)
    send(house)
    assert [e.rcpt_tos[0] for e in office.envelopes] == [CLINIC]
    assert sorted(n.state.value for n in notices(house)) == ["dropped", "sent"]


def test_who_has_chosen_otherwise_since_gets_none(house: House, office: PostOffice) -> None:
    give_back(house)
    with writing(house.portal, house.actors[CLINIC]) as work:
        choose(work, Wanted(returned=False))
    send(house)
    assert office.taken == []


def test_a_return_that_the_clinic_has_seen_to_is_not_mailed_hours_later(
    house: House, office: PostOffice, receiver: Receiver
) -> None:
    hook(house, receiver)
    case_id = give_back(house)
    house.record(case_id, b"solid", name="tissue.stl")
    send(house)
    assert office.taken == []
    assert len(receiver.arrived) == 1
    assert {n.way: n.state.value for n in notices(house)} == {Way.MAIL: "dropped", Way.WEBHOOK: "sent"}


def test_without_a_mail_server_mails_stay_and_the_administrator_sees_so(tmp_path: Path) -> None:
    house = open_house(tmp_path)
    give_back(house)
    assert [job for job, _ in house.waiting.jobs if job == SEND_NOTICE] == []
    assert later(house, 3600) == 0
    with reading(house.portal, house.actors[LAB]) as work:
        standing = mail_standing(work)
    assert (standing.waiting, standing.sent, standing.given_up, standing.troubles) == (1, 0, 0, ())
    with reading(house.portal, house.actors[CLINIC]) as work, pytest.raises(NotYours):
        mail_standing(work)


@pytest.mark.parametrize(("hours", "state"), [(47, "sent"), (49, "given-up")])
def test_once_there_is_a_server_what_waited_goes_out_unless_it_is_old(
    tmp_path: Path, office: PostOffice, hours: int, state: str
) -> None:
    give_back(open_house(tmp_path))
    house = again_with_mail(tmp_path, office)
    assert later(house, hours * 3600) == 1
    send(house)
    assert [n.state.value for n in notices(house)] == [state]
    assert len(office.taken) == (state == "sent")


def again_with_mail(folder: Path, office: PostOffice) -> House:
    """The house in the folder, opened a second time, under other settings."""
    new = with_mail(folder / "other", office)
    database = Database(f"sqlite:///{folder / 'archproof.db'}")
    clock, waiting = SetClock(new.clock.at), Waiting()
    portal = replace(new.portal, database=database, clock=clock.clock, jobs=waiting)
    return replace(new, portal=portal, clock=clock, waiting=waiting)


def test_what_came_to_an_end_is_forgotten_after_a_month(house: House, office: PostOffice) -> None:
    give_back(house)
    send(house)
    for seconds, left in ((KEPT_FOR.total_seconds(), 1), (1, 0)):
        house.clock.advance(seconds)
        with writing(house.portal, PORTAL) as work:
            forget_old_notices(work)
        assert len(notices(house)) == left


def test_what_waits_is_not_forgotten(tmp_path: Path) -> None:
    house = open_house(tmp_path)
    give_back(house)
    house.clock.advance(2 * KEPT_FOR.total_seconds())
    with writing(house.portal, PORTAL) as work:
        forget_old_notices(work)
    assert len(notices(house)) == 1


def test_the_administrator_sees_who_was_not_reached(house: House, office: PostOffice) -> None:
    office.to_receiver = ["550 no such user"]
    give_back(house)
    send(house)
    with reading(house.portal, house.actors[LAB]) as work:
        standing = mail_standing(work)
        (trouble,) = standing.troubles
        assert work.session.get_one(Person, trouble.notice.person_id).email == CLINIC
    assert (standing.given_up, trouble.person_name, trouble.place) == (1, "Ada Brandt", "Weir Lane Dental")
    assert trouble.notice.says == "The mail server refused the receiver (550)."

"""What a mail says, and that nothing which somebody typed gets into its headers.

Source: RFC 5322, 3.6 (fields), RFC 3834, 5 (Auto-Submitted); parsed by the standard library's reader.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path

import pytest

from server.accounts.tables import Person
from server.accounts.work import PORTAL, writing
from server.kit.settings import Settings
from server.notices.letters import message_of
from server.notices.tables import Event, Notice, NoticeState, Way
from tests.notices.house import FROM, PUBLIC_URL, give_back, notices, send, with_mail
from tests.notices.receivers import PostOffice, post_office, text_of
from tests.portal.house import CLINIC, House

AT = datetime(2031, 5, 4, 10, 30, tzinfo=UTC)


@pytest.fixture
def office() -> Iterator[PostOffice]:
    with post_office() as made:
        yield made


@pytest.fixture
def house(tmp_path: Path, office: PostOffice) -> House:
    return with_mail(tmp_path, office)


def notice(event: Event = Event.RETURNED) -> Notice:
    return Notice(
        id="n1", way=Way.MAIL, event=event, case_id="c1", round_number=1, person_id="p1", at=AT,
        state=NoticeState.WAITING, next_try_at=AT, asked_at=AT,
    )  # fmt: skip


def settings() -> Settings:
    return Settings.model_validate(
        {"smtp_url": "smtp://127.0.0.1", "mail_from": FROM, "public_url": PUBLIC_URL + "/"}
    )


def test_a_mail_as_it_arrives(house: House, office: PostOffice) -> None:
    case_id = give_back(house)
    send(house)
    (mail,), (kept,) = office.taken, notices(house)
    assert mail["From"] == f"Archproof <{FROM}>"
    assert mail["To"] == CLINIC
    assert office.envelopes[0].mail_from == FROM
    assert parsedate_to_datetime(mail["Date"]) == kept.at.replace(microsecond=0)
    assert mail["Message-ID"] == f"<{kept.id}@lab.example>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail.get_content_type() == "text/plain"
    text = text_of(mail)
    assert f"{PUBLIC_URL}/cases/{case_id}" in text.splitlines()
    assert f"{PUBLIC_URL}/notices" in text
    assert len(text) < 600


@pytest.mark.parametrize("event", [Event.RETURNED, Event.RELEASED])
def test_a_mail_is_the_same_at_every_try(event: Event) -> None:
    first, second = (message_of(settings(), notice(event), CLINIC).as_bytes() for _ in range(2))
    assert first == second
    assert first.isascii()
    assert max(len(line) for line in first.splitlines()) <= 78
    assert b"Content-Transfer-Encoding: 7bit" in first


@pytest.mark.parametrize(
    "address",
    [
        "ada@weir.example\r\nBcc: eve@evil.example",
        "ada@weir.example\nBcc: eve@evil.example",
        "ada\r\n\r\nBuy this@weir.example",
        "ada@weir.example, eve@evil.example",
        "ada@weir.example\r\n\r\n<b>",
        "eve@evil.example>\r\nSubject: x <a@b.example",
    ],
)
def test_an_address_never_becomes_a_header(house: House, office: PostOffice, address: str) -> None:
    with writing(house.portal, PORTAL) as work:
        work.session.get_one(Person, house.actors[CLINIC].person_id).email = address
    give_back(house)
    send(house)
    (kept,) = notices(house)
    assert (kept.state, kept.says) == (NoticeState.GIVEN_UP, "The receiver’s address cannot be written to.")
    assert office.taken == []


def test_an_address_in_other_letters_is_written_where_the_server_takes_it(
    house: House, office: PostOffice
) -> None:
    with writing(house.portal, PORTAL) as work:
        work.session.get_one(Person, house.actors[CLINIC].person_id).email = "zoë@weir.example"
    give_back(house)
    send(house)
    (mail,) = office.taken
    assert mail["To"] == "zoë@weir.example"
    assert office.envelopes[0].rcpt_tos == ["zoë@weir.example"]

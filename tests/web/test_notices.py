"""The pages about notices: a person's own mails, the outbox, an organisation's webhooks."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from fastapi.testclient import TestClient

from server.app import build_app
from tests.notices.house import give_back, reaching, send, with_mail
from tests.notices.receivers import PostOffice, Receiver, post_office, receiving
from tests.portal.house import CLINIC, LAB, OTHER, PASSWORD, House, open_house


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as made:
        yield made


@pytest.fixture
def office() -> Iterator[PostOffice]:
    with post_office() as made:
        yield made


@pytest.fixture
def house(tmp_path: Path, receiver: Receiver) -> House:
    return reaching(open_house(tmp_path), receiver)


class Reader:
    """Somebody signed in, with the token that the pages carry."""

    def __init__(self, house: House, who: str = CLINIC) -> None:
        address = house.portal.settings.public_url or "http://portal.test"
        self.client = TestClient(build_app(house.portal), base_url=address, follow_redirects=False)
        assert self.client.post("/sign-in", data={"email": who, "password": PASSWORD}).status_code == 303
        found = re.search(r'data-csrf="([^"]+)"', self.client.get("/notices").text)
        assert found is not None
        self.csrf = found.group(1)

    def get(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        assert answer.headers["cache-control"] == "no-store"
        return str(answer.text)

    def post(self, path: str, **fields: str) -> httpx.Response:
        answer: httpx.Response = self.client.post(path, data={"csrf_token": self.csrf, **fields})
        return answer

    def first_hook(self) -> str:
        found = re.search(r'action="(/webhooks/[^/"]+)/trial"', self.get("/webhooks"))
        assert found is not None
        return found.group(1)


def is_ticked(page: str, name: str) -> bool:
    (box,) = re.findall(rf'<input type="checkbox"[^>]*name="{name}"[^>]*>', page)
    return " checked" in box


def test_mails_are_on_until_they_are_switched_off(house: House) -> None:
    reader, other = Reader(house), Reader(house, OTHER)
    assert is_ticked(reader.get("/notices"), "returned")
    assert is_ticked(reader.get("/notices"), "released")
    assert reader.post("/notices", released="yes").headers["location"] == "/notices?done=chosen"
    page = reader.get("/notices?done=chosen")
    assert (is_ticked(page, "returned"), is_ticked(page, "released")) == (False, True)
    assert "It holds from the next mail on." in page
    assert is_ticked(other.get("/notices"), "returned")


def test_the_lab_has_nothing_to_choose_and_its_administrator_sees_the_outbox(house: House) -> None:
    give_back(house)
    page = Reader(house, LAB).get("/notices")
    assert 'type="checkbox"' not in page
    assert "No mail server is set" in page
    assert "1 mail, the first since" in page
    clinic = Reader(house).get("/notices")
    assert "Outbox" not in clinic
    assert "none is sent at present" in clinic


def test_the_administrator_reads_what_was_refused(tmp_path: Path, office: PostOffice) -> None:
    house = with_mail(tmp_path, office)
    office.to_receiver = ["550 <b>no such user</b>"]
    give_back(house)
    send(house)
    page = Reader(house, LAB).get("/notices")
    assert "The mail server refused the receiver (550)." in page
    assert "no such user" not in page
    assert "Ada Brandt, Weir Lane Dental" in page
    assert "none is sent at present" not in Reader(house).get("/notices")


def test_a_webhook_from_the_form_to_what_came_of_it(house: House, receiver: Receiver) -> None:
    reader = Reader(house)
    answer = reader.post("/webhooks", url=f"  {receiver.url} ")
    assert answer.status_code == 200
    (secret,) = re.findall(r'class="secret">(whsec_[^<]+)<', answer.text)
    assert secret.replace("&#43;", "+") not in reader.get("/webhooks")
    assert "whsec_" not in reader.get("/webhooks")
    assert reader.post(reader.first_hook() + "/trial").headers["location"] == "/webhooks?done=tried"
    assert "On its way" in reader.get("/webhooks")
    house.work_off()
    page = reader.get("/webhooks")
    assert "Answered 204." in page
    assert "Next try:" not in page
    receiver.statuses = [500]
    give_back(house)
    house.work_off()
    page = reader.get("/webhooks")
    assert "A case was returned" in page
    assert "Answered 500. Next try:" in page
    assert receiver.url in page


def test_a_refused_address_is_told_at_its_field(house: House) -> None:
    answer = Reader(house).post("/webhooks", url='https://127.0.0.1/"><script>')
    assert answer.status_code == 422
    assert "on the public internet" in answer.text
    assert 'value="https://127.0.0.1/&#34;&gt;&lt;script&gt;"' in answer.text
    assert 'aria-invalid="true"' in answer.text


def test_a_new_secret_and_the_end(house: House, receiver: Receiver) -> None:
    reader = Reader(house)
    reader.post("/webhooks", url=receiver.url)
    answer = reader.post(reader.first_hook() + "/secret")
    assert "whsec_" in answer.text
    assert "also signs until" in reader.get("/webhooks")
    assert reader.post(reader.first_hook() + "/remove").headers["location"] == "/webhooks?done=removed"
    assert "No address yet." in reader.get("/webhooks?done=removed")


def test_too_many_trials_are_told_on_the_page(house: House, receiver: Receiver) -> None:
    reader = Reader(house)
    reader.post("/webhooks", url=receiver.url)
    way = reader.first_hook() + "/trial"
    for _ in range(5):
        assert reader.post(way).status_code == 303
    answer = reader.post(way)
    assert answer.status_code == 429
    assert "No more than 5 trials in ten minutes" in answer.text


@pytest.mark.parametrize(
    "path", ["/notices", "/webhooks", "/webhooks/x/secret", "/webhooks/x/trial", "/webhooks/x/remove"]
)
def test_no_post_without_the_token_of_our_own_pages(house: House, path: str) -> None:
    reader = Reader(house)
    assert reader.client.post(path, data={"url": "https://93.184.216.34/"}).status_code == 403
    assert reader.client.post(path, data={"csrf_token": "guessed"}).status_code == 403


def test_another_organisation_sees_nothing_of_it(house: House, receiver: Receiver) -> None:
    Reader(house).post("/webhooks", url=receiver.url)
    for who in (OTHER, LAB):
        assert "hooks.example.com:" not in Reader(house, who).get("/webhooks")

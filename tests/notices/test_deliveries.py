"""What arrives at a webhook, checked by the library of the standard and against its published example.

Source: Standard Webhooks specification, headers and signature scheme; the example is that of the specification's own
libraries' tests, from memory.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from standardwebhooks import WebhookVerificationError

from server.notices.deliveries import Delivery
from tests.notices.house import give_back, hook, let_go, reaching, send
from tests.notices.receivers import Receiver, receiving
from tests.portal.house import CLINIC, LAB, House, open_house


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as made:
        yield made


@pytest.fixture
def house(tmp_path: Path, receiver: Receiver) -> House:
    return reaching(open_house(tmp_path, public_url="https://portal.example"), receiver)


def test_the_published_example() -> None:
    delivery = Delivery(
        "",
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        '{"test": 2432232314}',
        ("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",),
    )
    headers = delivery.headers(datetime.fromtimestamp(1614265330, UTC))
    assert headers["webhook-id"] == "msg_p5jXN8AQM9LWM0D4loKWxJek"
    assert headers["webhook-timestamp"] == "1614265330"
    assert headers["webhook-signature"] == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_a_signature_is_the_hmac_that_the_scheme_says(house: House, receiver: Receiver) -> None:
    webhook = hook(house, receiver)
    give_back(house)
    send(house)
    (arrived,) = receiver.arrived
    signed = f"{arrived.id}.{arrived.headers['webhook-timestamp']}.".encode() + arrived.body
    key = base64.b64decode(webhook.secret.removeprefix("whsec_"))
    assert len(key) == 32
    mac = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    assert arrived.headers["webhook-signature"] == f"v1,{mac}"


def test_an_event_as_it_arrives(house: House, receiver: Receiver) -> None:
    webhook = hook(house, receiver)
    case_id = give_back(house)
    send(house)
    (arrived,) = receiver.arrived
    assert arrived.headers["content-type"] == "application/json"
    told = arrived.checked(webhook.secret)
    assert set(told) == {"id", "type", "timestamp", "data"}
    assert (told["id"], told["type"]) == (arrived.id, "case.returned")
    assert datetime.fromisoformat(told["timestamp"]).tzinfo is not None
    assert told["data"] == {"case_id": case_id, "round": 1, "url": f"https://portal.example/cases/{case_id}"}


def test_a_release_and_another_secret(house: House, receiver: Receiver) -> None:
    own, labs = hook(house, receiver, CLINIC), hook(house, receiver, LAB)
    let_go(house)
    send(house)
    assert [a.told["type"] for a in receiver.arrived] == ["case.released"] * 2
    assert len({a.id for a in receiver.arrived}) == 2
    first = next(a for a in receiver.arrived if _holds(a, own.secret))
    assert not _holds(first, labs.secret)


def _holds(arrived: object, secret: str) -> bool:
    try:
        arrived.checked(secret)  # type: ignore[attr-defined]
    except WebhookVerificationError:
        return False
    return True

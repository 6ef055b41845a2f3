"""Whose a webhook is, how many there may be, and how often one may be tried."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlmodel import select

from server.accounts.tables import AuditEntry
from server.accounts.work import PORTAL, NotYours, reading, writing
from server.kit.outward import Outward
from server.kit.public_address import AddressRefused
from server.notices.webhooks import (
    MOST,
    TRIALS,
    TRIALS_WITHIN,
    TooManyTrials,
    TooManyWebhooks,
    WebhookUnknown,
    change_secret,
    find_webhook,
    last_deliveries,
    own_webhooks,
    register,
    remove,
    try_out,
)
from tests.notices.house import hook, reaching
from tests.notices.receivers import Receiver, receiving
from tests.portal.house import CLINIC, LAB, OTHER, House, open_house


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as made:
        yield made


@pytest.fixture
def house(tmp_path: Path, receiver: Receiver) -> House:
    return reaching(open_house(tmp_path), receiver)


@pytest.mark.parametrize("stranger", [OTHER, LAB])
def test_nobody_else_sees_or_changes_a_webhook(house: House, receiver: Receiver, stranger: str) -> None:
    webhook = hook(house, receiver, CLINIC)
    with writing(house.portal, house.actors[CLINIC]) as work:
        try_out(work, webhook.id)
    with writing(house.portal, house.actors[stranger]) as work:
        assert own_webhooks(work) == []
        assert last_deliveries(work) == last_deliveries(work, webhook.id) == []
        for deed in (find_webhook, change_secret, remove, try_out):
            with pytest.raises(WebhookUnknown) as theirs:
                deed(work, webhook.id)
            with pytest.raises(WebhookUnknown) as none:
                deed(work, "0" * 24)
            assert theirs.value.says == none.value.says


def test_an_address_is_checked_before_it_is_kept(house: House) -> None:
    refusing = Outward(resolve=lambda host, port: ("93.184.216.34", "127.0.0.1"))
    portal = replace(house.portal, outward=refusing)
    for url in ("https://hooks.example.com/", "https://127.0.0.1/", "http://hooks.example.com/"):
        with pytest.raises(AddressRefused):
            register(portal, house.actors[CLINIC], url)
    with reading(house.portal, house.actors[CLINIC]) as work:
        assert own_webhooks(work) == []


def test_the_portal_itself_has_none(house: House, receiver: Receiver) -> None:
    with pytest.raises(NotYours):
        register(house.portal, PORTAL, receiver.url)


def test_there_are_so_many_and_no_more(house: House, receiver: Receiver) -> None:
    for _ in range(MOST):
        hook(house, receiver)
    with pytest.raises(TooManyWebhooks):
        hook(house, receiver)
    hook(house, receiver, OTHER)


def test_secrets_are_long_and_each_its_own(house: House, receiver: Receiver) -> None:
    made = [hook(house, receiver).secret for _ in range(MOST)]
    assert len(set(made)) == MOST
    assert all(secret.startswith("whsec_") and len(secret) == 6 + 44 for secret in made)


def test_trials_are_few(house: House, receiver: Receiver) -> None:
    """Counted over all addresses of an organisation, so that more of them give no more trials."""
    first, second = hook(house, receiver), hook(house, receiver)
    others = hook(house, receiver, OTHER)
    with writing(house.portal, house.actors[CLINIC]) as work:
        for number in range(TRIALS):
            try_out(work, (first if number % 2 else second).id)
        for webhook in (first, second):
            with pytest.raises(TooManyTrials):
                try_out(work, webhook.id)
    with writing(house.portal, house.actors[OTHER]) as work:
        try_out(work, others.id)
    house.clock.advance(TRIALS_WITHIN.total_seconds() + 1)
    with writing(house.portal, house.actors[CLINIC]) as work:
        try_out(work, first.id)


def test_every_deed_is_in_the_audit_trail_without_address_or_secret(house: House, receiver: Receiver) -> None:
    webhook = hook(house, receiver)
    with writing(house.portal, house.actors[CLINIC]) as work:
        try_out(work, webhook.id)
        changed = change_secret(work, webhook.id).secret
        remove(work, webhook.id)
    with reading(house.portal, PORTAL) as work:
        entries = list(work.session.exec(select(AuditEntry).where(AuditEntry.object_id == webhook.id)))
    assert [e.action for e in entries] == ["webhook.add", "webhook.try", "webhook.secret", "webhook.remove"]
    text = str([e.model_dump() for e in entries])
    assert "whsec" not in text
    assert changed not in text
    assert "example.com" not in text

"""Tokens for programs: kept as digests, over in time, revoked by their owner alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlmodel import select

from server.accounts.people import NameUnusable, disable_person
from server.accounts.tables import ApiToken
from server.accounts.tokens import PREFIX, actor_of_token, add_token, revoke_token, tokens
from server.accounts.work import PORTAL, NotYours, reading, writing
from server.errors import NotFound
from server.kit.ids import digest
from tests.portal.house import CLINIC, LAB, OTHER, House, open_house

DAY_S = 86400


@pytest.fixture
def house(tmp_path: Path) -> House:
    return open_house(tmp_path)


def made(house: House, who: str = CLINIC, *, days: int = 30, may_write: bool = True) -> tuple[str, str]:
    """Id and text of a new token."""
    with writing(house.portal, house.actors[who]) as work:
        token, secret = add_token(work, "Scanner", days=days, may_write=may_write)
        return token.id, secret


def test_a_token_acts_for_the_person_who_made_it(house: House) -> None:
    assert actor_of_token(house.portal, made(house)[1]) == house.actors[CLINIC]
    reader = actor_of_token(house.portal, made(house, may_write=False)[1])
    assert reader is not None
    assert (reader.name, reader.may_write) == ("Ada Brandt", False)
    assert actor_of_token(house.portal, "guessed") is None


def test_its_text_is_kept_nowhere(house: House) -> None:
    token_id, secret = made(house)
    assert secret.startswith(PREFIX)
    with reading(house.portal, PORTAL) as work:
        row = work.session.get_one(ApiToken, token_id)
        assert row.token_digest == digest(secret)
        assert secret not in str(row.model_dump())


@pytest.mark.parametrize(("days", "kept"), [(1, 1), (30, 30), (0, 1), (-5, 1), (401, 400), (10**9, 400)])
def test_a_token_ends_by_itself(house: House, days: int, kept: int) -> None:
    _, secret = made(house, days=days)
    house.clock.advance(kept * DAY_S - 1)
    assert actor_of_token(house.portal, secret) is not None
    house.clock.advance(1)
    assert actor_of_token(house.portal, secret) is None


def test_only_its_owner_revokes_it(house: House) -> None:
    token_id, secret = made(house)
    for who in (OTHER, LAB):
        with writing(house.portal, house.actors[who]) as work, pytest.raises(NotFound):
            revoke_token(work, token_id)
    assert actor_of_token(house.portal, secret) is not None
    with writing(house.portal, house.actors[CLINIC]) as work:
        revoke_token(work, token_id)
    assert actor_of_token(house.portal, secret) is None


def test_one_sees_ones_own_tokens_newest_first(house: House) -> None:
    house.clock.advance(60)
    first, _ = made(house)
    house.clock.advance(60)
    second, _ = made(house)
    made(house, OTHER)
    with reading(house.portal, house.actors[CLINIC]) as work:
        assert [token.id for token in tokens(work)][:2] == [second, first]
        assert {token.person_id for token in tokens(work)} == {house.actors[CLINIC].person_id}


def test_an_ended_account_takes_its_tokens_along(house: House) -> None:
    _, secret = made(house)
    person_id = house.actors[CLINIC].person_id
    assert person_id is not None
    with writing(house.portal, house.actors[LAB]) as work:
        disable_person(work, person_id)
    assert actor_of_token(house.portal, secret) is None
    with reading(house.portal, PORTAL) as work:
        theirs = select(ApiToken).where(ApiToken.person_id == person_id)
        assert all(token.revoked_at is not None for token in work.session.exec(theirs))


def test_its_use_is_noted_once_an_hour(house: House) -> None:
    token_id, secret = made(house)

    def used_at() -> object:
        with reading(house.portal, PORTAL) as work:
            return work.session.get_one(ApiToken, token_id).used_at

    assert used_at() is None
    actor_of_token(house.portal, secret)
    first = used_at()
    assert first == house.clock.at
    house.clock.advance(3599)
    actor_of_token(house.portal, secret)
    assert used_at() == first
    house.clock.advance(1)
    actor_of_token(house.portal, secret)
    assert used_at() == house.clock.at


def test_a_token_has_a_name_and_an_owner(house: House) -> None:
    with writing(house.portal, house.actors[CLINIC]) as work, pytest.raises(NameUnusable):
        add_token(work, " \0\n ", days=1)
    with writing(house.portal, PORTAL) as work, pytest.raises(NotYours):
        add_token(work, "Nobody's", days=1)

"""Signing in: throttled, told apart by nobody, and ended when it should end."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlmodel import select

from server.accounts.login import (
    LoginFailed,
    TooManyLogins,
    find_session,
    forget_ended_sessions,
    log_in,
    log_out,
)
from server.accounts.people import disable_person
from server.accounts.tables import FailedLogin, LoginSession
from server.accounts.work import PORTAL, reading, writing
from tests.portal.house import CLINIC, LAB, PASSWORD, House, open_house

HERE = "192.0.2.7"


@pytest.fixture
def house(tmp_path: Path) -> House:
    return open_house(
        tmp_path,
        login_attempts=3,
        login_attempts_per_address=5,
        login_window_s=900,
        session_idle_s=1800,
        session_absolute_s=43200,
    )


def fail(house: House, email: str = CLINIC, address: str = HERE) -> None:
    with pytest.raises(LoginFailed):
        log_in(house.portal, email, "not the password", address)


def rows(house: House, table: type[LoginSession] | type[FailedLogin]) -> int:
    with reading(house.portal, PORTAL) as work:
        return len(list(work.session.exec(select(table))))


def test_the_address_may_be_typed_in_any_case(house: House) -> None:
    assert log_in(house.portal, f"  {CLINIC.upper()} ", PASSWORD, HERE).actor.name == "Ada Brandt"


def test_an_account_waits_after_three_failures_from_anywhere(house: House) -> None:
    for n in range(3):
        fail(house, address=f"192.0.2.{n}")
    with pytest.raises(TooManyLogins):
        log_in(house.portal, CLINIC, PASSWORD, "198.51.100.1")
    assert log_in(house.portal, LAB, PASSWORD, HERE).actor.name == "Imke Sorel"
    house.clock.advance(901)
    assert log_in(house.portal, CLINIC, PASSWORD, HERE).actor.name == "Ada Brandt"


def test_a_network_address_waits_after_five_failures_on_any_account(house: House) -> None:
    for n in range(5):
        fail(house, email=f"nobody{n}@weir.example")
    with pytest.raises(TooManyLogins):
        log_in(house.portal, CLINIC, PASSWORD, HERE)
    assert log_in(house.portal, CLINIC, PASSWORD, "198.51.100.1").actor.name == "Ada Brandt"


def test_a_right_password_forgets_the_failures_of_the_account(house: House) -> None:
    for _ in range(2):
        fail(house)
        fail(house)
        log_in(house.portal, CLINIC, PASSWORD, "198.51.100.1")
        house.clock.advance(1)
    assert rows(house, FailedLogin) == 4  # those of the network address stay


def test_a_session_ends_half_an_hour_after_its_last_use(house: House) -> None:
    secret = log_in(house.portal, CLINIC, PASSWORD, HERE).secret
    for _ in range(4):
        house.clock.advance(1799)
        assert find_session(house.portal, secret) is not None
    house.clock.advance(1801)
    assert find_session(house.portal, secret) is None


def test_a_session_ends_twelve_hours_after_it_began_though_used(house: House) -> None:
    secret = log_in(house.portal, CLINIC, PASSWORD, HERE).secret
    for _ in range(24):
        house.clock.advance(1795)
        assert find_session(house.portal, secret) is not None
    house.clock.advance(200)
    assert find_session(house.portal, secret) is None


def test_each_login_is_another_session_and_signing_out_ends_that_one(house: House) -> None:
    one, two = (log_in(house.portal, CLINIC, PASSWORD, HERE) for _ in range(2))
    assert (one.secret, one.csrf_token) != (two.secret, two.csrf_token)
    log_out(house.portal, one.secret)
    assert find_session(house.portal, one.secret) is None
    assert find_session(house.portal, two.secret) is not None
    assert find_session(house.portal, "guessed") is None


def test_an_ended_account_is_out_at_once_and_reads_like_a_wrong_password(house: House) -> None:
    opened = log_in(house.portal, CLINIC, PASSWORD, HERE)
    person_id = opened.actor.person_id
    assert person_id is not None
    with writing(house.portal, house.actors[LAB]) as work:
        disable_person(work, person_id)
    assert find_session(house.portal, opened.secret) is None
    with pytest.raises(LoginFailed, match=r"The address or the password is wrong\."):
        log_in(house.portal, CLINIC, PASSWORD, HERE)


def test_what_is_over_is_cleared_away_and_no_more(house: House) -> None:
    log_in(house.portal, CLINIC, PASSWORD, HERE)
    fail(house)
    house.clock.advance(1801)
    live = log_in(house.portal, LAB, PASSWORD, HERE)
    fail(house)
    with writing(house.portal, PORTAL) as work:
        forget_ended_sessions(work)
    assert (rows(house, LoginSession), rows(house, FailedLogin)) == (1, 2)
    assert find_session(house.portal, live.secret) is not None

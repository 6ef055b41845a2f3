"""People, clinics, passwords and the audit trail: who may look after them, and what is refused."""

from __future__ import annotations

import pytest

from server.accounts.audit import audit_of, latest_audit
from server.accounts.invitations import invite, look_at_invitation
from server.accounts.passwords import (
    PasswordWeak,
    check_password_strength,
    hash_password,
    password_matches,
)
from server.accounts.people import (
    EmailUnusable,
    NameUnusable,
    add_organisation,
    add_person,
    clean_email,
    clean_name,
    clinics,
    disable_person,
    people,
)
from server.accounts.tables import OrganisationKind, PersonRole
from server.accounts.work import PORTAL, NotYours, reading, writing
from server.errors import NotFound, Refused
from tests.portal.house import CLINIC, LAB, OTHER, House, open_house


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    return open_house(tmp_path_factory.mktemp("house"))


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        (" Ada@Weir.Example ", "ada@weir.example"),
        ("a@b", "a@b"),
        ("o'neil+x@weir.example", "o'neil+x@weir.example"),
    ],
)
def test_an_address_is_kept_trimmed_and_small(typed: str, kept: str) -> None:
    assert clean_email(typed) == kept


@pytest.mark.parametrize(
    "typed",
    ["", "ada", "@weir.example", "ada@", "a b@c", "a@b,c@d", "a@b\nBcc: x@y", "<a@b>", "x" * 65 + "@b"],
)
def test_what_is_no_address(typed: str) -> None:
    with pytest.raises(EmailUnusable):
        clean_email(typed)


def test_a_name_is_one_line() -> None:
    assert clean_name("  Ada \n\0 Brandt\u202e ") == "Ada Brandt"
    assert clean_name("x" * 200) == "x" * 120
    with pytest.raises(NameUnusable):
        clean_name(" \t\0")


@pytest.mark.parametrize("who", [CLINIC, OTHER])
def test_only_an_administrator_looks_after_the_house(house: House, who: str) -> None:
    with writing(house.portal, house.actors[who]) as work:
        with pytest.raises(NotYours):
            add_organisation(work, OrganisationKind.CLINIC, "Mill Street")
        with pytest.raises(NotYours):
            disable_person(work, str(house.actors[LAB].person_id))
        with pytest.raises(NotYours):
            invite(work, str(house.actors[who].organisation_id), PersonRole.CLINIC, "a@b.example")
        with pytest.raises(NotYours):
            latest_audit(work)


def test_there_is_one_lab(house: House) -> None:
    with writing(house.portal, PORTAL) as work, pytest.raises(Refused, match="one lab"):
        add_organisation(work, OrganisationKind.LAB, "Another")


def test_a_person_has_the_role_of_the_place_and_an_address_of_their_own(house: House) -> None:
    with writing(house.portal, PORTAL) as work:
        weir = next(c for c in clinics(work) if c.name == "Weir Lane Dental")
        with pytest.raises(Refused):
            add_person(work, weir, PersonRole.LAB, "x@weir.example", "X", "hash")
        with pytest.raises(Refused) as taken:
            add_person(work, weir, PersonRole.CLINIC, CLINIC, "X", "hash")
        assert taken.value.code == "email-taken"


def test_nobody_ends_an_own_account_or_one_that_is_not_there(house: House) -> None:
    with writing(house.portal, house.actors[LAB]) as work:
        with pytest.raises(Refused, match="your own"):
            disable_person(work, str(house.actors[LAB].person_id))
        with pytest.raises(NotFound):
            disable_person(work, "0" * 24)


def test_a_clinic_sees_its_own_people_and_itself(house: House) -> None:
    with reading(house.portal, house.actors[CLINIC]) as work:
        assert [person.email for person, _ in people(work)] == [CLINIC]
        assert [clinic.name for clinic in clinics(work)] == ["Weir Lane Dental"]
    with reading(house.portal, house.actors[LAB]) as work:
        assert {person.email for person, _ in people(work)} == {CLINIC, OTHER, LAB}
        assert [clinic.name for clinic in clinics(work)] == ["Quay Side", "Weir Lane Dental"]


def test_an_invitation_names_a_place_and_a_role_that_fit(house: House) -> None:
    clinic_id = str(house.actors[CLINIC].organisation_id)
    lab_id = str(house.actors[LAB].organisation_id)
    with writing(house.portal, house.actors[LAB]) as work:
        for place, role in (
            (clinic_id, PersonRole.LAB),
            (lab_id, PersonRole.CLINIC),
            ("x", PersonRole.CLINIC),
        ):
            with pytest.raises(NotFound):
                invite(work, place, role, "a@b.example")
        secret = invite(work, clinic_id, PersonRole.CLINIC, "Pia@Weir.example")
    offered = look_at_invitation(house.portal, secret)
    assert (offered.organisation_name, offered.email) == ("Weir Lane Dental", "pia@weir.example")


def test_the_audit_trail_is_walked_from_the_newest(house: House) -> None:
    case_id = house.case()
    with reading(house.portal, house.actors[LAB]) as work:
        assert [entry.action for entry in audit_of(work, case_id)] == ["case.open"]
        newest = latest_audit(work, limit=2)
        older = latest_audit(work, before_id=newest[-1].id, limit=2)
    ids = [entry.id or 0 for entry in (*newest, *older)]
    assert ids == sorted(ids, reverse=True)
    assert len(set(ids)) == 4


@pytest.mark.parametrize(
    "password",
    [
        "",
        "short",
        "elevenchars",
        "x" * 257,
        "password1234",
        "archproof2031",
        "aaaaaaaaaaaaaaaa",
        "ada.brandt123",
    ],
)
def test_passwords_that_are_tried_first(password: str) -> None:
    with pytest.raises(PasswordWeak):
        check_password_strength(password, email="ada.brandt@weir.example")


@pytest.mark.parametrize(
    "password", ["a weir below the mill", "ключ под камнем", "x7#qLw" * 11, "e\u0301" * 3 + " tide out"]
)
def test_passwords_of_any_characters(password: str) -> None:
    check_password_strength(password, email="ada@weir.example")
    assert password_matches(password, hash_password(password))
    assert not password_matches(password + "x", hash_password(password))


def test_without_a_hash_or_with_a_broken_one_nothing_matches() -> None:
    assert not password_matches("nobody has this password", None)
    assert not password_matches("a weir below the mill", "not a hash")

from __future__ import annotations

import pytest

from server.measures.role import ROLE, SURE_RATIO, WHAT_SHOWS, RoleResult, RoleShare
from server.metrology.likeness.look import Look
from server.records.roles import Role
from server.rules.catalogue.form.role_doubtful import RULE
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, case, given_up, measured, record, troubled


def looks(look: Look, belief: float = 0.98) -> RoleResult:
    """As measured of a record that looks like that; what is left of belief goes to a denture, or to a bite."""
    other = Role.BITE if look is Look.CLOSED_ALL_ROUND else Role.DENTURE
    shares = {role: part * belief for role, part in WHAT_SHOWS[look].items()}
    shares[other] = shares.get(other, 0.0) + 1.0 - belief
    ranked = sorted(shares.items(), key=lambda item: -item[1])
    return RoleResult(
        look=look,
        look_ratio=belief,
        roles=tuple(RoleShare(role=role, belief_ratio=share) for role, share in ranked),
        n_whole_posts=0,
        n_half_posts=0,
        crease_ratio=0.0,
        n_parts=1,
        opening_ratio=0.9,
    )


def filed(role: Role, seen: RoleResult) -> Finding:
    return ask_one(RULE, case(record(measured(ROLE, seen), role=role, file="a.stl")))


@pytest.mark.parametrize(
    ("look", "role"), [(look, role) for look in Look for role in sorted(WHAT_SHOWS[look])]
)
def test_a_role_that_shows_itself_like_that_is_not_doubted(look: Look, role: Role) -> None:
    found = filed(role, looks(look))
    assert (found.outcome, found.level) == (Outcome.PASSED, Level.CLEAR)


@pytest.mark.parametrize(
    ("look", "role"),
    [(look, role) for look in Look for role in sorted(RULE.roles) if role not in WHAT_SHOWS[look]],
)
def test_any_other_role_is_looked_at(look: Look, role: Role) -> None:
    found = filed(role, looks(look))
    assert (found.outcome, found.level, found.records) == (Outcome.FAILED, Level.LOOK, ("a.stl",))


def test_it_says_what_the_file_is_filed_as_and_what_it_shows() -> None:
    says = filed(Role.TISSUE, looks(Look.ARCH_WITH_TEETH)).says
    assert Role.TISSUE.words in says
    assert Role.OPPOSING.words in says
    assert "it shows teeth" in says


@pytest.mark.parametrize(
    ("belief", "level"), [(SURE_RATIO - 0.01, Level.CLEAR), (SURE_RATIO + 0.001, Level.LOOK)]
)
def test_what_is_not_sure_doubts_nobody(belief: float, level: Level) -> None:
    assert filed(Role.BITE, looks(Look.ARCH_WITH_POSTS, belief)).level is level


def test_a_clean_set_is_not_troubled_and_one_that_is_exchanged_troubles_nothing_else() -> None:
    good = record(measured(ROLE, looks(Look.BARE_ARCH)), role=Role.TISSUE, file="tissue.stl")
    swapped = record(measured(ROLE, looks(Look.ARCH_WITH_TEETH)), role=Role.TISSUE, file="tissue.stl")
    assert RULE.id not in troubled(case(good))
    assert troubled(case(swapped)) - troubled(case(good)) == {RULE.id}


def test_where_it_was_not_measured_it_says_so_and_why() -> None:
    found = ask_one(RULE, case(record(given_up(ROLE, "file/unreadable"), role=Role.JAW, file="a.stl")))
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "file/unreadable")

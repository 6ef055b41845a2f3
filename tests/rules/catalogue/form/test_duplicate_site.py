from __future__ import annotations

from server.rules.catalogue.form.duplicate_site import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, case, sites, troubled


def test_a_code_given_twice_is_returned_with_both_sites() -> None:
    of = case(sites=sites({}, {}, {"tooth": "33"}))
    finding = ask_one(RULE, of)
    assert (finding.outcome, finding.level, finding.site_index) == (Outcome.FAILED, Level.RETURN, (1, 2))
    assert troubled(of) == {"form/duplicate-site"}


def test_three_sites_of_one_code_are_one_finding_and_two_codes_two() -> None:
    assert ask_one(RULE, case(sites=sites({}, {"tooth": "36"}, {"tooth": "36"}))).site_index == (0, 1, 2)
    of = case(sites=sites({}, {"tooth": "36"}, {"tooth": "46"}))
    assert [f.site_index for f in ask(RULE, of)] == [(0, 1), (2, 3)]


def test_codes_are_compared_even_where_they_name_no_tooth() -> None:
    assert ask_one(RULE, case(sites=sites({"tooth": "X"}, {"tooth": "x"}))).level is Level.RETURN
    assert (
        ask_one(RULE, case(numbering=None, sites=sites({"tooth": "7"}, {"tooth": "7"}))).level is Level.RETURN
    )


def test_sites_without_a_code_are_not_alike() -> None:
    assert ask_one(RULE, case(sites=sites({"tooth": ""}, {"tooth": ""}))).outcome is Outcome.PASSED

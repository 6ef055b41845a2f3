from __future__ import annotations

from server.measures.sites import SiteBody
from server.rules.catalogue.bodies.site_order import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, sites
from tests.rules.standing import standing


def test_codes_in_order_pass() -> None:
    assert ask_one(RULE, standing()).outcome is Outcome.PASSED


def test_sides_exchanged_are_returned() -> None:
    found = ask_one(RULE, standing(told={"is_better_mirrored": True}))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)
    assert found.site_index == (0, 1, 2, 3)


def test_a_body_far_from_its_tooth_is_returned_with_the_side() -> None:
    told = tuple(SiteBody(site_index=k, number=k, off_mm=11.0 if k == 1 else 0.0) for k in range(4))
    found = ask_one(RULE, standing(told={"sites": told}))
    assert (found.outcome, found.level, found.sites) == (Outcome.FAILED, Level.RETURN, ("33",))
    assert "11 mm farther to the patient's left" in found.says
    near = tuple(SiteBody(site_index=k, number=k, off_mm=8.9) for k in range(4))
    assert ask_one(RULE, standing(told={"sites": near})).outcome is Outcome.PASSED


def test_two_neighbours_out_of_turn_in_a_list_that_runs_along_the_arch_are_looked_at() -> None:
    swapped = sites({}, {"tooth": "43"}, {"tooth": "33"})
    found = ask_one(RULE, standing(sites=swapped))
    assert (found.outcome, found.level, found.site_index) == (Outcome.FAILED, Level.LOOK, (1, 2))


def test_a_covered_implant_written_last_is_not_out_of_turn() -> None:
    listed = sites({"tooth": "36"}, {"tooth": "33"}, {"tooth": "43"}, {"tooth": "46"})
    covered = {**listed[-1], "tooth": "44", "loaded": False}
    assert ask_one(RULE, standing(sites=[*listed, covered])).outcome is Outcome.PASSED
    assert ask_one(RULE, standing(sites=[*listed, {**covered, "loaded": True}])).site_index == (3, 4)


def test_a_list_in_no_order_says_nothing() -> None:
    jumbled = sites({"tooth": "33"}, {"tooth": "46"}, {"tooth": "36"}, {"tooth": "43"})
    assert ask_one(RULE, standing(sites=jumbled)).outcome is Outcome.PASSED


def test_where_bodies_cannot_be_told_apart_the_rule_with_the_cause_is_named() -> None:
    told = {"untold": "a tooth code is not one of this jaw", "untold_because": "form/tooth-code"}
    found = ask_one(RULE, standing(told=told))
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "form/tooth-code")

from __future__ import annotations

from server.rules.catalogue.denture.imprint_count import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.impressions import fitting


def test_an_imprint_for_each_site_passes() -> None:
    assert ask_one(RULE, fitting()).outcome is Outcome.PASSED


def test_one_too_few_names_its_site() -> None:
    finding = ask_one(RULE, fitting(n=3))
    assert (finding.outcome, finding.level, finding.site_index) == (Outcome.FAILED, Level.LOOK, (3,))


def test_where_sites_are_not_clear_none_is_named() -> None:
    finding = ask_one(RULE, fitting(n=3, sites={"is_clear": False}))
    assert (finding.outcome, finding.level, finding.site_index) == (Outcome.FAILED, Level.LOOK, ())


def test_one_too_many_is_seen() -> None:
    assert ask_one(RULE, fitting(n=5)).outcome is Outcome.FAILED


def test_a_denture_relined_without_bodies_is_not_counted() -> None:
    finding = ask_one(RULE, fitting(n=0))
    assert (finding.outcome, finding.level) == (Outcome.NOT_APPLICABLE, Level.CLEAR)

from __future__ import annotations

from server.rules.catalogue.bodies.not_in_catalogue import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, case, records, sites, troubled


def test_known_bodies_pass() -> None:
    assert ask_one(RULE, case()).outcome is Outcome.PASSED


def test_an_unknown_body_is_looked_at_at_its_site() -> None:
    of = case(sites=sites({}, {"scan_body": "zz-1"}))
    finding = ask_one(RULE, of)
    assert (finding.outcome, finding.level, finding.site_index) == (Outcome.FAILED, Level.LOOK, (1,))
    assert troubled(of) == {"bodies/not-in-catalogue"}


def test_an_unknown_body_of_the_positions_is_looked_at_with_its_file() -> None:
    more = ({"role": "markers", "file": "m.stl", "body": "zz-1"},)
    found = ask(RULE, case(records=records(without="markers", more=more)))
    assert [f.records for f in found] == [("m.stl",)]


def test_a_covered_implant_and_an_empty_field_are_not_unknown() -> None:
    of = case(sites=sites({"scan_body": ""}, {"loaded": False, "scan_body": "zz-1"}))
    assert ask_one(RULE, of).outcome is Outcome.PASSED


def test_without_a_catalogue_nothing_is_said() -> None:
    finding = ask_one(RULE, case(bodies={}))
    assert (finding.outcome, finding.level) == (Outcome.NOT_MEASURED, Level.NOTE)

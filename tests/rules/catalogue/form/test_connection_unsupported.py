from __future__ import annotations

from server.records.bodies import BodyEntry
from server.rules.catalogue.form.connection_unsupported import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import BODIES, ask, case, sites, troubled


def test_a_connection_outside_the_catalogue_is_looked_at_for_each_site() -> None:
    of = case(
        bodies={
            k: BodyEntry.model_validate({**v.model_dump(), "connections": ["direct"]})
            for k, v in BODIES.items()
        }
    )
    assert [(f.outcome, f.level, f.site_index) for f in ask(RULE, of)] == [
        (Outcome.FAILED, Level.LOOK, (index,)) for index in range(4)
    ]
    assert troubled(of) == {"form/connection-unsupported"}


def test_an_angle_outside_the_catalogue_is_looked_at_at_its_site() -> None:
    found = ask(RULE, case(sites=sites({}, {}, {"abutment_angle_deg": 25})))
    assert [f.outcome for f in found] == [Outcome.PASSED, Outcome.PASSED, Outcome.FAILED, Outcome.PASSED]


def test_what_the_catalogue_leaves_open_is_allowed() -> None:
    open_body = {"rb-60": BodyEntry(id="rb-60", mesh="rb-60.stl")}
    found = ask(RULE, case(bodies=open_body, sites=sites({"abutment_angle_deg": 61})))
    assert {f.outcome for f in found} == {Outcome.PASSED}


def test_an_unknown_body_and_a_covered_implant_are_not_judged() -> None:
    found = ask(RULE, case(sites=sites({"scan_body": "zz-1"}, {"loaded": False})))
    assert [f.outcome for f in found[:2]] == [Outcome.NOT_MEASURED, Outcome.NOT_APPLICABLE]
    assert found[0].level is Level.NOTE

from __future__ import annotations

from server.rules.catalogue.form.role_repeated import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, case, records, troubled


def test_one_of_each_passes() -> None:
    assert {(f.outcome, f.value) for f in ask(RULE, case())} == {(Outcome.PASSED, 1.0)}


def test_a_second_jaw_scan_is_looked_at_and_both_are_named() -> None:
    of = case(records=records(more=({"role": "jaw", "file": "jaw-2.stl"},)))
    (found,) = [f for f in ask(RULE, of) if f.outcome is Outcome.FAILED]
    assert (found.level, found.value, found.records) == (Level.LOOK, 2.0, ("jaw.stl", "jaw-2.stl"))
    assert troubled(of) == {"form/role-repeated"}


def test_three_bite_scans_pass_and_a_fourth_is_looked_at() -> None:
    bites = tuple({"role": "bite", "file": f"bite-{n}.stl"} for n in (2, 3, 4))
    assert troubled(case(records=records(more=bites[:2]))) == set()
    assert troubled(case(records=records(more=bites))) == {"form/role-repeated"}


def test_photos_and_scans_from_before_may_be_many() -> None:
    more = tuple({"role": role, "file": f"{role}-{n}.png"} for role in ("photo", "before") for n in range(5))
    assert troubled(case(records=records(more=more))) == set()


def test_no_records_no_answer() -> None:
    assert ask(RULE, case(records=[]))[0].outcome is Outcome.NOT_APPLICABLE

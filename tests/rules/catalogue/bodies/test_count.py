from __future__ import annotations

from server.rules.catalogue.bodies.count import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, case
from tests.rules.standing import seen, standing, unmeasured


def test_a_body_at_each_site_passes() -> None:
    found = ask_one(RULE, standing())
    assert (found.outcome, found.level) == (Outcome.PASSED, Level.CLEAR)
    assert "each of the 4 sites" in found.says


def test_an_empty_site_is_returned_by_name() -> None:
    found = ask_one(RULE, standing(seen(0), seen(1), seen(2)))
    assert (found.outcome, found.level, found.sites) == (Outcome.FAILED, Level.RETURN, ("46",))
    assert found.records == ("jaw.stl",)


def test_each_empty_site_is_a_finding_of_its_own() -> None:
    assert [f.sites for f in ask(RULE, standing(seen(0), seen(1)))] == [("43",), ("46",)]


def test_where_another_site_might_be_the_empty_one_that_is_said() -> None:
    found = ask_one(RULE, standing(seen(0), seen(1), seen(2), told={"is_clear": False}))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)
    assert "not certain" in found.says


def test_a_body_too_many_is_returned_with_its_place() -> None:
    found = ask_one(RULE, standing(*(seen(k) for k in range(4)), seen(0, seat_mm=(0.0, 24.0, 0.0))))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)
    assert found.where[0].point_mm == (0.0, 24.0, 2.0)


def test_without_order_the_numbers_still_must_agree() -> None:
    untold = {
        "untold": "the scan does not show which way the arch runs",
        "sites": (),
        "empty_sites": (),
        "extra": (),
    }
    assert ask_one(RULE, standing(told=untold)).outcome is Outcome.PASSED
    found = ask_one(RULE, standing(seen(0), seen(1), told=untold))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)
    assert "2 scan bodies" in found.says


def test_without_a_jaw_scan_nothing_is_said() -> None:
    assert ask_one(RULE, case()).outcome is Outcome.NOT_MEASURED
    assert ask_one(RULE, unmeasured()).outcome is Outcome.NOT_MEASURED

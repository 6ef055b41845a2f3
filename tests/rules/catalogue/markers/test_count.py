from __future__ import annotations

from server.rules.catalogue.markers.count import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, case
from tests.rules.positions import positions, told


def test_a_position_for_each_site_passes() -> None:
    assert ask_one(RULE, positions()).outcome is Outcome.PASSED


def test_the_site_without_a_position_is_returned_by_name() -> None:
    found = ask_one(RULE, positions(markers=told().markers[:3], only_in_jaw=(3,)))
    assert (found.outcome, found.level, found.sites) == (Outcome.FAILED, Level.RETURN, ("46",))


def test_a_position_too_many_is_returned() -> None:
    found = ask_one(RULE, positions(markers=(*told().markers, told().markers[0])))
    assert (found.outcome, found.level, found.records) == (Outcome.FAILED, Level.RETURN, ("markers.stl",))
    assert "5 implant positions" in found.says


def test_without_positions_nothing_is_said() -> None:
    assert ask_one(RULE, case()).outcome is Outcome.NOT_MEASURED

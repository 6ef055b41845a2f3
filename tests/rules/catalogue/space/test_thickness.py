from __future__ import annotations

import pytest

from server.measures.against import Missing
from server.rules.catalogue.space.thickness import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, troubled
from tests.rules.rooms import room, roomy


@pytest.mark.parametrize(
    ("thickness_mm", "outcome", "level"),
    [
        (6.15, Outcome.PASSED, Level.CLEAR),
        (5.95, Outcome.DOUBTFUL, Level.LOOK),
        (5.3, Outcome.FAILED, Level.LOOK),
        (3.95, Outcome.DOUBTFUL, Level.LOOK),
        (3.85, Outcome.FAILED, Level.RETURN),
    ],
)
def test_both_sides_of_each_limit(thickness_mm: float, outcome: Outcome, level: Level) -> None:
    finding = ask(RULE, roomy(room(2, thickness_mm=thickness_mm)))[2]
    assert (finding.outcome, finding.level, finding.site_index) == (outcome, level, (2,))
    assert finding.where[0].record == "denture.stl"


def test_without_a_denture_it_is_a_note() -> None:
    found = ask(
        RULE, roomy(space={"denture": None, "denture_missing": Missing(says="there is no denture scan")})
    )
    assert {(f.outcome, f.level) for f in found} == {(Outcome.NOT_MEASURED, Level.NOTE)}


def test_an_axis_that_does_not_come_out_is_a_note() -> None:
    inside = room(0, thickness_mm=None, u95_thickness_mm=None, denture_says="its axis does not come out")
    assert ask(RULE, roomy(inside))[0].level is Level.NOTE


def test_only_this_rule_speaks() -> None:
    assert troubled(roomy(room(1, thickness_mm=3.0))) - troubled(roomy()) == {"space/thickness"}

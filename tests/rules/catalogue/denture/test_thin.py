from __future__ import annotations

import pytest

from server.measures.against import Missing
from server.rules.catalogue.denture.thin import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, sites, troubled
from tests.rules.rooms import roomy, wall


@pytest.mark.parametrize(
    ("wall_mm", "outcome", "level"),
    [
        (2.1, Outcome.PASSED, Level.CLEAR),
        (2.02, Outcome.DOUBTFUL, Level.LOOK),
        (1.4, Outcome.FAILED, Level.LOOK),
        (0.97, Outcome.DOUBTFUL, Level.LOOK),
        (0.6, Outcome.FAILED, Level.RETURN),
    ],
)
def test_both_sides_of_each_limit(wall_mm: float, outcome: Outcome, level: Level) -> None:
    finding = ask(RULE, roomy(walls=(wall(2, wall_mm=wall_mm),)))[2]
    assert (finding.outcome, finding.level, finding.site_index) == (outcome, level, (2,))
    assert finding.where[0].record == "denture.stl"


def test_the_wall_of_the_channel_is_not_judged() -> None:
    assert ask(RULE, roomy(walls=(wall(2, channel_wall_mm=0.0),)))[2].outcome is Outcome.PASSED


def test_what_is_missing_is_said() -> None:
    lost = Missing(says="it could not be placed", because="surface/no-fit")
    found = ask(RULE, roomy(no_walls=lost))
    assert {(f.outcome, f.level, f.because) for f in found} == {
        (Outcome.NOT_MEASURED, Level.LOOK, "surface/no-fit")
    }
    none_near = ask(RULE, roomy(walls=(wall(0, wall_mm=None),)))[0]
    assert (none_near.outcome, none_near.level) == (Outcome.NOT_MEASURED, Level.NOTE)


def test_a_covered_implant_has_no_wall() -> None:
    finding = ask(RULE, roomy(sites=sites({}, {"loaded": False})))[1]
    assert finding.outcome is Outcome.NOT_APPLICABLE


def test_only_this_rule_speaks() -> None:
    assert troubled(roomy(walls=(wall(1, wall_mm=0.5),))) - troubled(roomy()) == {"denture/thin"}

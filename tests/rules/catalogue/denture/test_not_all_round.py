from __future__ import annotations

import pytest

from server.rules.catalogue.denture.not_all_round import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.impressions import fitting, opened


def test_a_closed_denture_passes() -> None:
    finding = ask_one(RULE, fitting())
    assert (finding.outcome, finding.level, finding.value) == (Outcome.PASSED, Level.CLEAR, 0.0)


@pytest.mark.parametrize(
    ("diameter_mm", "outcome", "level"),
    [
        (2.8, Outcome.PASSED, Level.CLEAR),
        (3.05, Outcome.DOUBTFUL, Level.LOOK),
        (5.0, Outcome.FAILED, Level.LOOK),
        (7.8, Outcome.FAILED, Level.LOOK),
        (8.2, Outcome.FAILED, Level.RETURN),
    ],
)
def test_both_sides_of_the_limits(diameter_mm: float, outcome: Outcome, level: Level) -> None:
    finding = ask_one(RULE, fitting(shape=opened(diameter_mm)))
    assert (finding.outcome, finding.level, finding.value) == (outcome, level, diameter_mm)
    assert finding.where[0].point_mm == (1.0, 2.0, 3.0)

from __future__ import annotations

import pytest

from server.measures.denture_laid import Laid
from server.measures.relation import Came
from server.rules.catalogue.denture.impression_mismatch import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.impressions import fitting


@pytest.mark.parametrize(
    ("p95_mm", "outcome", "level"),
    [
        (0.36, Outcome.PASSED, Level.CLEAR),
        (0.38, Outcome.DOUBTFUL, Level.LOOK),
        (0.7, Outcome.FAILED, Level.LOOK),
        (0.98, Outcome.DOUBTFUL, Level.LOOK),
        (1.04, Outcome.FAILED, Level.RETURN),
    ],
)
def test_both_sides_of_the_limits(p95_mm: float, outcome: Outcome, level: Level) -> None:
    finding = ask_one(RULE, fitting(p95_mm=p95_mm))
    assert (finding.outcome, finding.level, finding.value, finding.u95) == (outcome, level, p95_mm, 0.03)
    assert finding.records == ("denture.stl", "jaw.stl")
    assert finding.where[0].point_mm == (5.0, 6.0, 7.0)


def test_a_denture_that_lies_on_the_jaw_in_no_placing_is_returned() -> None:
    finding = ask_one(RULE, fitting(laid=Laid.NOT, came=Came.NOT, p95_mm=None))
    assert (finding.outcome, finding.level) == (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("came", "because"), [(Came.MIRRORED, "surface/mirrored"), (Came.AMBIGUOUS, "surface/no-fit")]
)
def test_another_rule_says_why_it_could_not_be_laid(came: Came, because: str) -> None:
    finding = ask_one(RULE, fitting(laid=Laid.NOT, came=came, p95_mm=None))
    assert (finding.outcome, finding.level, finding.because) == (Outcome.NOT_MEASURED, Level.LOOK, because)


def test_without_a_jaw_there_is_nothing_to_compare_with() -> None:
    finding = ask_one(RULE, fitting(with_jaw=False))
    assert (finding.outcome, finding.level) == (Outcome.NOT_MEASURED, Level.NOTE)


def test_too_little_in_common_is_not_measured() -> None:
    assert ask_one(RULE, fitting(compared_ratio=0.2)).outcome is Outcome.NOT_MEASURED

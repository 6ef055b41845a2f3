from __future__ import annotations

import pytest

from server.rules.catalogue.bite.tilt import RULE
from server.rules.limit import Level, Outcome
from tests.rules.biting import amount, closed, contact
from tests.rules.good_set import ask_one


@pytest.mark.parametrize(
    ("difference_mm", "ends"),
    [
        (0.16, (Outcome.PASSED, Level.CLEAR)),
        (-0.21, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.35, (Outcome.FAILED, Level.LOOK)),
        (-0.60, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_difference_of_the_sides_decides(difference_mm: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, closed(None, contact(left_over_right_mm=amount(difference_mm))))
    assert (found.outcome, found.level, found.value) == (*ends, abs(difference_mm))
    assert ("on the left" if difference_mm > 0.0 else "on the right") in found.says


def test_with_one_side_out_of_reach_nothing_is_compared() -> None:
    found = ask_one(RULE, closed(None, contact(left=None)))
    assert (found.outcome, found.level) == (Outcome.NOT_MEASURED, Level.NOTE)


def test_a_jaw_without_teeth_does_not_lean() -> None:
    assert ask_one(RULE, closed(opposing_dentition="edentulous")).outcome is Outcome.NOT_APPLICABLE

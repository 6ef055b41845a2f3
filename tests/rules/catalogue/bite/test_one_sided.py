from __future__ import annotations

import pytest

from server.rules.catalogue.bite.one_sided import RULE
from server.rules.limit import Level, Outcome
from tests.rules.biting import closed, contact
from tests.rules.good_set import ask_one


@pytest.mark.parametrize(
    ("right_mm", "ends"),
    [
        (0.06, (Outcome.PASSED, Level.CLEAR)),
        (0.09, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.20, (Outcome.FAILED, Level.LOOK)),
        (2.50, (Outcome.FAILED, Level.LOOK)),
    ],
)
def test_the_gap_of_the_open_side_decides(right_mm: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, closed(None, contact(left=0.02, right=right_mm)))
    assert (found.outcome, found.level, found.value) == (*ends, right_mm)
    assert ("only behind on the left" in found.says) is (right_mm > 0.1)


def test_a_side_out_of_reach_is_open() -> None:
    found = ask_one(RULE, closed(None, contact(right=None)))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.LOOK)


def test_where_neither_side_meets_another_rule_says_it() -> None:
    assert ask_one(RULE, closed(None, contact(left=0.3, right=0.4))).outcome is Outcome.NOT_APPLICABLE


def test_a_jaw_without_teeth_has_no_sides() -> None:
    assert ask_one(RULE, closed(opposing_dentition="edentulous")).outcome is Outcome.NOT_APPLICABLE

from __future__ import annotations

import math

import pytest

from server.rules.finding import LimitApplied
from server.rules.limit import Level, Limit, Outcome, Sense, gravest

UPPER = Limit(1.0, 2.0, "mm", "made up")
LOWER = Limit(1.0, 0.5, "mm", "made up", sense=Sense.LOWER)
LOOK_ONLY = Limit.look_only(1.0, "mm", "made up")

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOK = (Outcome.FAILED, Level.LOOK)
DOUBT = (Outcome.DOUBTFUL, Level.LOOK)
RETURN = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("limit", "value", "u95", "expected"),
    [
        (UPPER, 0.75, 0.25, PASSED),
        (UPPER, 0.75, 0.375, DOUBT),
        (UPPER, 1.25, 0.25, DOUBT),
        (UPPER, 1.5, 0.25, LOOK),
        (UPPER, 1.75, 0.25, LOOK),
        (UPPER, 1.875, 0.25, DOUBT),
        (UPPER, 2.25, 0.25, DOUBT),
        (UPPER, 2.5, 0.25, RETURN),
        (UPPER, 1.0, 0.0, PASSED),
        (UPPER, 2.0, 0.0, LOOK),
        (UPPER, 9.0, 10.0, DOUBT),
        (LOWER, 1.25, 0.25, PASSED),
        (LOWER, 1.125, 0.25, DOUBT),
        (LOWER, 0.75, 0.125, LOOK),
        (LOWER, 0.5, 0.0, LOOK),
        (LOWER, 0.25, 0.125, RETURN),
        (LOWER, 0.25, 0.5, DOUBT),
        (LOOK_ONLY, 1.0, 0.0, PASSED),
        (LOOK_ONLY, 1e300, 1.0, LOOK),
    ],
)
def test_a_value_with_its_uncertainty(
    limit: Limit, value: float, u95: float, expected: tuple[Outcome, Level]
) -> None:
    assert limit.judge(value, u95) == expected


def test_limits_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(ValueError, match="look"):
        Limit(2.0, 1.0, "mm", "made up")
    with pytest.raises(ValueError, match="look"):
        Limit(0.5, 1.0, "mm", "made up", sense=Sense.LOWER)


def test_a_sheet_may_take_the_return_side_away() -> None:
    assert UPPER.with_numbers(1.5, None, "own").return_ == math.inf
    assert LOWER.with_numbers(1.5, None, "own").return_ == -math.inf
    assert LOWER.with_numbers(1.5, None, "own").judge(-1e9) == LOOK


def test_a_limit_that_never_returns_survives_json() -> None:
    applied = LimitApplied(look=1.0, return_=math.inf, source="made up")
    assert '"return":null' in applied.model_dump_json()
    assert LimitApplied.model_validate_json(applied.model_dump_json()) == applied


def test_the_gravest_of_levels() -> None:
    assert gravest([]) is Level.CLEAR
    assert gravest([Level.NOTE, Level.RETURN, Level.LOOK]) is Level.RETURN

from __future__ import annotations

import pytest

from server.rules.catalogue.vertical.changed import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, case, troubled


def _vertical(
    seated_mm: float, *, planned_mm: float = 0.0, repeats_mm: tuple[float, ...] = ()
) -> dict[str, object]:
    return {
        "reference_mm": 62.0,
        "seated_mm": seated_mm,
        "planned_change_mm": planned_mm,
        "repeats_mm": list(repeats_mm),
    }


@pytest.mark.parametrize(
    ("seated_mm", "outcome", "level"),
    [
        (62.5, Outcome.PASSED, Level.CLEAR),
        (62.75, Outcome.DOUBTFUL, Level.LOOK),
        (65.0, Outcome.DOUBTFUL, Level.LOOK),
        (65.25, Outcome.FAILED, Level.RETURN),
        (61.5, Outcome.PASSED, Level.CLEAR),
        (61.25, Outcome.DOUBTFUL, Level.LOOK),
        (58.75, Outcome.FAILED, Level.RETURN),
    ],
)
def test_without_repeats_a_reading_is_worth_a_millimetre(
    seated_mm: float, outcome: Outcome, level: Level
) -> None:
    """1.5 and 2.0 mm with U95 1.0 mm: within up to 0.5, beyond from 3.0, either way."""
    finding = ask_one(RULE, case(vertical=_vertical(seated_mm)))
    assert (finding.outcome, finding.level) == (outcome, level)
    assert (finding.value, finding.u95, finding.unit) == (seated_mm - 62.0, 1.0, "mm")


def test_a_planned_change_is_no_change() -> None:
    assert ask_one(RULE, case(vertical=_vertical(66.0, planned_mm=4.0))).outcome is Outcome.PASSED
    finding = ask_one(RULE, case(vertical=_vertical(62.0, planned_mm=4.0)))
    assert (finding.value, finding.level) == (-4.0, Level.RETURN)


def test_good_repeats_make_the_reading_worth_more_and_poor_ones_less() -> None:
    good = ask_one(RULE, case(vertical=_vertical(62.6, repeats_mm=(62.6, 62.6, 62.6, 62.6, 62.6))))
    poor = ask_one(RULE, case(vertical=_vertical(62.6, repeats_mm=(61.6, 63.6))))
    assert good.u95 is not None
    assert poor.u95 is not None
    assert good.u95 < 1.0 < poor.u95
    assert (good.outcome, poor.outcome) == (Outcome.PASSED, Outcome.DOUBTFUL)


def test_only_this_rule_answers_to_a_changed_height() -> None:
    of = case(vertical=_vertical(66.0, repeats_mm=(65.9, 66.1)))
    assert troubled(of) == {"vertical/changed"}


def test_without_both_readings_it_names_the_rule_that_says_so() -> None:
    finding = ask_one(RULE, case(vertical={"seated_mm": 62.0}))
    assert (finding.outcome, finding.because) == (Outcome.NOT_MEASURED, "vertical/missing")

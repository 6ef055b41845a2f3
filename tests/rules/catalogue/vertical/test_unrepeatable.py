from __future__ import annotations

import pytest

from server.rules.catalogue.vertical.unrepeatable import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, case, troubled


@pytest.mark.parametrize(
    ("repeats_mm", "spread_mm", "outcome", "level"),
    [
        ((62.0, 62.5, 63.0), 1.0, Outcome.PASSED, Level.CLEAR),
        ((62.0, 63.25), 1.25, Outcome.FAILED, Level.LOOK),
        ((62.0, 64.0), 2.0, Outcome.FAILED, Level.LOOK),
        ((62.0, 64.25), 2.25, Outcome.FAILED, Level.RETURN),
        ((63.0,), 0.75, Outcome.PASSED, Level.CLEAR),
    ],
)
def test_the_spread_decides(
    repeats_mm: tuple[float, ...], spread_mm: float, outcome: Outcome, level: Level
) -> None:
    """The last row: a single repeat against the seated reading of 62.25 mm."""
    vertical = {"reference_mm": 62.0, "seated_mm": 62.25, "repeats_mm": list(repeats_mm)}
    finding = ask_one(RULE, case(vertical=vertical))
    assert (finding.value, finding.outcome, finding.level) == (spread_mm, outcome, level)


def test_a_poor_reading_is_found_by_this_rule() -> None:
    vertical = {"reference_mm": 62.0, "seated_mm": 62.0, "repeats_mm": [61.0, 63.5]}
    assert "vertical/unrepeatable" in troubled(case(vertical=vertical))


def test_no_repeats_is_no_fault() -> None:
    finding = ask_one(RULE, case(vertical={"reference_mm": 62.0, "seated_mm": 62.3}))
    assert (finding.outcome, finding.level) == (Outcome.NOT_MEASURED, Level.NOTE)

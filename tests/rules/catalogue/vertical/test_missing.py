from __future__ import annotations

import pytest

from server.rules.catalogue.vertical.missing import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, case, troubled


def test_both_readings_pass() -> None:
    assert ask_one(RULE, case(vertical={"reference_mm": 62.0, "seated_mm": 62.3})).outcome is Outcome.PASSED


@pytest.mark.parametrize("vertical", [None, {}, {"reference_mm": 62.0}, {"seated_mm": 62.0}])
def test_a_missing_reading_is_looked_at(vertical: dict[str, float] | None) -> None:
    of = case(vertical=vertical)
    assert (ask_one(RULE, of).outcome, ask_one(RULE, of).level) == (Outcome.FAILED, Level.LOOK)
    assert {"vertical/missing"} <= troubled(of) <= {"vertical/missing", "vertical/changed"}

from __future__ import annotations

import pytest

from server.rules.catalogue.bite.penetration import RULE
from server.rules.limit import Level, Outcome
from tests.rules.biting import closed, contact, depth
from tests.rules.good_set import ask_one


@pytest.mark.parametrize(
    ("depth_mm", "ends"),
    [
        (0.0, (Outcome.PASSED, Level.CLEAR)),
        (0.11, (Outcome.PASSED, Level.CLEAR)),
        (0.14, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.30, (Outcome.FAILED, Level.LOOK)),
        (0.50, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_depth_decides(depth_mm: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, closed(None, contact(pressed=depth(depth_mm))))
    assert (found.outcome, found.level, found.value) == (*ends, depth_mm)
    assert ("on the left" in found.says) is (depth_mm > 0.0)
    assert len(found.where) == (1 if depth_mm > 0.0 else 0)


def test_it_is_asked_of_a_jaw_without_teeth_too() -> None:
    found = ask_one(RULE, closed(None, contact(pressed=depth(0.5)), opposing_dentition="edentulous"))
    assert found.level is Level.RETURN

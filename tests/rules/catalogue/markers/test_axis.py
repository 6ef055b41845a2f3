from __future__ import annotations

import pytest

from server.rules.catalogue.markers.axis import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.positions import pair, positions


@pytest.mark.parametrize(
    ("axis_deg", "ends"),
    [
        (0.3, (Outcome.PASSED, Level.CLEAR)),
        (0.55, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.8, (Outcome.FAILED, Level.LOOK)),
        (1.3, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_largest_angle_decides(axis_deg: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, positions(pairs=(pair(0), pair(2, axis_deg=axis_deg))))
    assert (found.outcome, found.level, found.sites) == (*ends, ("43",))

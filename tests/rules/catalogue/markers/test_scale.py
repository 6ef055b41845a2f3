from __future__ import annotations

import pytest

from server.rules.catalogue.markers.scale import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.positions import positions


@pytest.mark.parametrize(
    ("scale_ratio", "ends"),
    [
        (1.0020, (Outcome.PASSED, Level.CLEAR)),
        (0.9968, (Outcome.DOUBTFUL, Level.LOOK)),
        (1.0060, (Outcome.FAILED, Level.LOOK)),
        (0.9800, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_common_factor_decides(scale_ratio: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, positions(scale_ratio=scale_ratio))
    assert (found.outcome, found.level) == ends
    assert ("larger" if scale_ratio > 1 else "smaller") in found.says

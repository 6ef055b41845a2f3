from __future__ import annotations

import pytest

from server.rules.catalogue.surface.mixed_facing import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.surfaces import facing, judged, scan, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("turned_mm2", "ends"),
    [
        (0.0, PASSED),
        (23.0, PASSED),
        (24.0, LOOKED),
        (236.0, RETURNED),
    ],
)
def test_the_share_of_the_area_decides(turned_mm2: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(facing=facing(turned_area_mm2=turned_mm2)))
    assert value == pytest.approx(100.0 * turned_mm2 / 4700.0)
    assert tuple(ended) == ends


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

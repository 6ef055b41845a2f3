from __future__ import annotations

import pytest

from server.rules.catalogue.surface.inside_out import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.surfaces import facing, judged, patch, scan, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("patches", "ends"),
    [
        ((patch(),), PASSED),
        ((patch(side="away", score=-0.3),), (Outcome.FAILED, Level.NOTE)),
        ((patch(side="away", score=-0.06, is_certain=False),), LOOKED),
        ((patch(), patch(shell=1, area_mm2=60.0, side="away", score=-0.6)), (Outcome.FAILED, Level.NOTE)),
        ((patch(), patch(shell=1, area_mm2=60.0, side="away", score=-0.06, is_certain=False)), PASSED),
        ((patch(side="undecided", score=0.01, is_certain=False),), PASSED),
    ],
    ids=["faces", "away", "perhaps", "one shell", "a small perhaps", "undecided"],
)
def test_the_side_that_faced_the_scanner_decides(patches: tuple, ends: tuple[Outcome, Level]) -> None:  # type: ignore[type-arg]
    assert judged(RULE, scan(facing=facing(*patches)))[1:] == ends


def test_a_yes_or_no_has_no_value() -> None:
    assert judged(RULE, scan())[0] is None


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

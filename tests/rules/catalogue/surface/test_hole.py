from __future__ import annotations

import pytest

from server.rules.catalogue.surface.hole import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.surfaces import judged, opening, scan, shell, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("diameter_mm", "ends"),
    [
        (2.6, PASSED),
        (2.9, DOUBTED),
        (5.0, LOOKED),
        (7.9, DOUBTED),
        (8.4, RETURNED),
    ],
)
def test_the_diameter_decides_with_its_uncertainty(diameter_mm: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(shell=shell(**opening(diameter_mm))))
    assert value == pytest.approx(diameter_mm)
    assert tuple(ended) == ends


def test_without_an_opening_it_passes() -> None:
    assert judged(RULE, scan()) == (0.0, *PASSED)


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

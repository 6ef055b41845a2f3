from __future__ import annotations

import pytest

from server.rules.catalogue.surface.coarse import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.surfaces import judged, scan, texture, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("spacing_mm", "ends"),
    [
        (0.6, PASSED),
        (0.61, LOOKED),
        (1.2, LOOKED),
        (1.21, RETURNED),
    ],
)
def test_the_median_spacing_decides(spacing_mm: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(texture=texture(spacing_median_mm=spacing_mm)))
    assert value == pytest.approx(spacing_mm)
    assert tuple(ended) == ends


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

from __future__ import annotations

import pytest

from server.rules.catalogue.surface.rough import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, case
from tests.rules.surfaces import judged, scan, texture, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("scatter_mm", "ends"),
    [
        (0.038, PASSED),
        (0.0395, DOUBTED),
        (0.05, LOOKED),
        (0.0795, DOUBTED),
        (0.082, RETURNED),
    ],
)
def test_the_scatter_decides_with_its_uncertainty(scatter_mm: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(texture=texture(scatter_mm=scatter_mm)))
    assert value == pytest.approx(scatter_mm)
    assert tuple(ended) == ends


def test_points_too_far_apart_are_not_measured() -> None:
    found = ask_one(RULE, case(scan(texture=texture(scatter_mm=None, scatter_u95_mm=None))))
    assert (found.outcome, found.level) == (Outcome.NOT_MEASURED, Level.NOTE)


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

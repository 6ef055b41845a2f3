from __future__ import annotations

import pytest

from server.rules.catalogue.surface.degenerate import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.surfaces import judged, scan, shell, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("facets", "ends"),
    [
        (0, PASSED),
        (50, PASSED),
        (51, LOOKED),
        (5001, RETURNED),
    ],
)
def test_facets_without_area_decide(facets: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(shell=shell(n_degenerate_facets=int(facets))))
    assert value == pytest.approx(facets)
    assert tuple(ended) == ends


def test_repeated_facets_count_too() -> None:
    assert judged(RULE, scan(shell=shell(n_degenerate_facets=30, n_repeated_facets=30)))[1:] == LOOKED


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

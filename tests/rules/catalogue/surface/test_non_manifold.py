from __future__ import annotations

import pytest

from server.rules.catalogue.surface.non_manifold import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.surfaces import judged, scan, shell, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("edges", "ends"),
    [
        (0, PASSED),
        (50, PASSED),
        (51, LOOKED),
        (5001, RETURNED),
    ],
)
def test_edges_for_each_hundred_thousand_facets_decide(edges: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(shell=shell(n_crowded_edges=int(edges))))
    assert value == pytest.approx(edges)
    assert tuple(ended) == ends


def test_it_is_a_share_of_the_facets() -> None:
    assert judged(RULE, scan(shell=shell(n_facets=10_000, n_crowded_edges=6)))[0] == pytest.approx(60.0)


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

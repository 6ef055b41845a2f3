from __future__ import annotations

import pytest

from server.measures.shell import Opening
from server.rules.catalogue.surface.hole_at_body import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.standing import seen, standing


@pytest.mark.parametrize(
    ("diameter_mm", "ends"),
    [
        (0.7, (Outcome.PASSED, Level.CLEAR)),
        (1.1, (Outcome.DOUBTFUL, Level.LOOK)),
        (1.8, (Outcome.FAILED, Level.LOOK)),
        (3.0, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_opening_beside_a_body_decides(diameter_mm: float, ends: tuple[Outcome, Level]) -> None:
    hole = Opening(diameter_mm=diameter_mm, length_mm=9.0, edge_mm=0.25, centre_mm=(24.0, 0.0, 0.0))
    found = ask_one(RULE, standing(seen(0, openings=(hole,))))
    assert (found.outcome, found.level) == ends
    assert found.sites == ("36",)
    assert found.where[0].point_mm == (24.0, 0.0, 0.0)


def test_no_opening_passes() -> None:
    found = ask_one(RULE, standing())
    assert (found.outcome, found.value) == (Outcome.PASSED, 0.0)

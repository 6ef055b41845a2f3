from __future__ import annotations

import pytest

from server.measures.sites import Neighbours
from server.rules.catalogue.bodies.too_close import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one
from tests.rules.standing import seen, standing


def pair(clearance_mm: float, numbers: tuple[int, int] = (0, 1)) -> Neighbours:
    return Neighbours(numbers=numbers, clearance_mm=clearance_mm, angle_deg=5.0, u95_angle_deg=0.1)


@pytest.mark.parametrize(
    ("clearance_mm", "ends"),
    [
        (1.1, (Outcome.PASSED, Level.CLEAR)),
        (0.9, (Outcome.FAILED, Level.LOOK)),
        (0.15, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_least_distance_decides(clearance_mm: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, standing(told={"pairs": (pair(clearance_mm), pair(14.0, (2, 3)))}))
    assert (found.outcome, found.level) == ends
    assert found.sites == ("36", "33")


def test_every_near_pair_is_told() -> None:
    assert len(ask(RULE, standing(told={"pairs": (pair(0.8), pair(0.9, (2, 3)), pair(9.0, (1, 2)))}))) == 2


def test_one_body_has_no_neighbour() -> None:
    assert ask_one(RULE, standing(seen(0))).outcome is Outcome.NOT_APPLICABLE

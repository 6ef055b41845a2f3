from __future__ import annotations

import pytest

from server.measures.sites import Neighbours
from server.rules.catalogue.bodies.divergence import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.standing import seen, standing


def pair(angle_deg: float, numbers: tuple[int, int]) -> Neighbours:
    return Neighbours(numbers=numbers, clearance_mm=9.0, angle_deg=angle_deg, u95_angle_deg=0.2)


@pytest.mark.parametrize(
    ("angle_deg", "ends"),
    [
        (39.7, (Outcome.PASSED, Level.CLEAR)),
        (40.1, (Outcome.DOUBTFUL, Level.LOOK)),
        (48.0, (Outcome.FAILED, Level.LOOK)),
        (61.0, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_widest_pair_decides(angle_deg: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, standing(told={"pairs": (pair(5.0, (0, 1)), pair(angle_deg, (0, 3)))}))
    assert (found.outcome, found.level) == ends
    assert found.sites == ("36", "46")


def test_one_body_diverges_from_none() -> None:
    assert ask_one(RULE, standing(seen(0))).outcome is Outcome.NOT_APPLICABLE

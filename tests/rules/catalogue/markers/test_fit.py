from __future__ import annotations

import pytest

from server.measures.markers import Hands
from server.rules.catalogue.markers.fit import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.positions import pair, positions


@pytest.mark.parametrize(
    ("residual_mm", "ends"),
    [
        (0.07, (Outcome.PASSED, Level.CLEAR)),
        (0.11, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.20, (Outcome.FAILED, Level.LOOK)),
        (0.33, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_largest_distance_decides(residual_mm: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, positions(pairs=(pair(0), pair(1, residual_mm=residual_mm), pair(2))))
    assert (found.outcome, found.level, found.sites) == (*ends, ("33",))


def test_positions_of_another_jaw_are_returned() -> None:
    found = ask_one(RULE, positions(fits=False, pairs=()))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)


def test_a_mirror_image_is_the_cause_of_no_answer() -> None:
    found = ask_one(RULE, positions(hand=Hands.MIRRORED))
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "markers/mirrored")


def test_two_ways_to_match_are_said() -> None:
    found = ask_one(RULE, positions(is_ambiguous=True))
    assert (found.outcome, found.level) == (Outcome.NOT_MEASURED, Level.NOTE)

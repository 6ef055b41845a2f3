from __future__ import annotations

from server.measures.markers import Hands
from server.rules.catalogue.markers.mirrored import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.positions import positions


def test_the_same_hand_passes() -> None:
    assert ask_one(RULE, positions()).outcome is Outcome.PASSED


def test_a_mirror_image_is_returned() -> None:
    found = ask_one(RULE, positions(hand=Hands.MIRRORED))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)


def test_where_it_cannot_be_told_that_is_said() -> None:
    found = ask_one(RULE, positions(hand=Hands.UNTOLD))
    assert (found.outcome, found.level) == (Outcome.NOT_MEASURED, Level.NOTE)
    assert "mirror image" in found.says

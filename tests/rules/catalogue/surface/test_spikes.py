from __future__ import annotations

import pytest

from server.rules.catalogue.surface.spikes import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.surfaces import judged, scan, texture, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("points", "ends"),
    [
        (0, PASSED),
        (5, PASSED),
        (6, LOOKED),
        (101, RETURNED),
    ],
)
def test_their_number_decides(points: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(texture=texture(n_spikes=int(points), tallest_spike_mm=1.5)))
    assert value == pytest.approx(points)
    assert tuple(ended) == ends


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

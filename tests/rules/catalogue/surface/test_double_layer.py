from __future__ import annotations

import pytest

from server.rules.catalogue.surface.double_layer import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.surfaces import judged, layers, scan, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("area_mm2", "ends"),
    [
        (2.9, PASSED),
        (3.1, LOOKED),
        (30.0, LOOKED),
        (30.1, RETURNED),
    ],
)
def test_the_doubled_area_decides(area_mm2: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(layers=layers(area_mm2)))
    assert value == pytest.approx(area_mm2)
    assert tuple(ended) == ends


def test_near_a_limit_the_lab_looks() -> None:
    assert judged(RULE, scan(layers=layers(31.0, 3.0)))[1:] == DOUBTED
    assert judged(RULE, scan(layers=layers(40.0, 3.0)))[1:] == RETURNED


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

from __future__ import annotations

import pytest

from server.rules.catalogue.surface.islands import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.surfaces import island, judged, scan, shell, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("area_mm2", "ends"),
    [
        (0.0, PASSED),
        (5.1, LOOKED),
        (200.0, LOOKED),
        (200.1, RETURNED),
    ],
)
def test_the_area_beyond_dust_decides(area_mm2: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(shell=shell(**(island(area_mm2) if area_mm2 else {}))))
    assert value == pytest.approx(area_mm2)
    assert tuple(ended) == ends


def test_dust_passes() -> None:
    assert judged(RULE, scan(shell=shell(n_shells=9, n_dust_shells=8, dust_area_mm2=12.0))) == (0.0, *PASSED)


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")

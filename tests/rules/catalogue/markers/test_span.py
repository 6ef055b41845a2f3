from __future__ import annotations

import pytest

from server.rules.catalogue.markers.span import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.positions import distance, positions, way


@pytest.mark.parametrize(
    ("off_mm", "ends"),
    [
        (-0.06, (Outcome.PASSED, Level.CLEAR)),
        (0.12, (Outcome.DOUBTFUL, Level.LOOK)),
        (-0.30, (Outcome.FAILED, Level.LOOK)),
        (0.60, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_largest_difference_of_a_pair_decides(off_mm: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, positions(distances=(distance(0.01, (1, 2)), distance(off_mm))))
    assert (found.outcome, found.level, found.sites) == (*ends, ("36", "46"))
    assert ("longer" if off_mm > 0 else "shorter") in found.says


def test_the_way_the_arch_changed_is_told_only_where_certain() -> None:
    wide = ask_one(RULE, positions(distances=(distance(0.3),), ways=(way(0.28), way(0.02, "bow"))))
    assert "wider by 0.28" in wide.says
    assert "On the whole" not in ask_one(RULE, positions(ways=(way(0.02),))).says

from __future__ import annotations

import pytest

from server.measures.against import Missing
from server.measures.arch_spread import Side
from server.rules.catalogue.space.cantilever import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, troubled
from tests.rules.rooms import arch, overhang, roomy


@pytest.mark.parametrize(
    ("length_mm", "outcome", "level"),
    [
        (5.8, Outcome.PASSED, Level.CLEAR),
        (6.5, Outcome.DOUBTFUL, Level.LOOK),
        (10.0, Outcome.FAILED, Level.LOOK),
        (15.5, Outcome.DOUBTFUL, Level.LOOK),
        (16.2, Outcome.FAILED, Level.RETURN),
    ],
)
def test_a_provisional_is_judged_in_millimetres(length_mm: float, outcome: Outcome, level: Level) -> None:
    spread = arch(overhang(Side.RIGHT, 3), overhang(Side.LEFT, 0, length_mm=length_mm))
    right, left = ask(RULE, roomy(spread=spread))
    assert (right.outcome, right.site_index) == (Outcome.PASSED, (3,))
    assert (left.outcome, left.level, left.site_index, left.unit) == (outcome, level, (0,), "mm")


@pytest.mark.parametrize(
    ("by_spread", "outcome", "level"),
    [
        (1.4, Outcome.PASSED, Level.CLEAR),
        (1.47, Outcome.DOUBTFUL, Level.LOOK),
        (1.8, Outcome.FAILED, Level.LOOK),
        (2.1, Outcome.FAILED, Level.RETURN),
    ],
)
def test_a_definitive_is_judged_by_the_spread(by_spread: float, outcome: Outcome, level: Level) -> None:
    spread = arch(overhang(Side.LEFT, 0, length_mm=30.0, by_spread=by_spread))
    finding = ask_one(RULE, roomy(spread=spread, prosthesis="definitive"))
    assert (finding.outcome, finding.level, finding.value) == (outcome, level, by_spread)


def test_without_planned_teeth_it_is_a_note() -> None:
    spread = arch(
        overhangs=(), overhang_missing=Missing(says="the form does not say which teeth are planned")
    )
    finding = ask_one(RULE, roomy(spread=spread))
    assert (finding.outcome, finding.level, finding.because) == (Outcome.NOT_MEASURED, Level.NOTE, None)


def test_a_definitive_without_a_spread_is_not_measured() -> None:
    spread = arch(spread_distal_mm=None, spread_missing=Missing(says="fewer than 3 implants stand apart"))
    assert ask_one(RULE, roomy(spread=spread, prosthesis="definitive")).outcome is Outcome.NOT_MEASURED


def test_only_this_rule_speaks() -> None:
    spread = arch(overhang(Side.LEFT, 0, length_mm=20.0))
    assert troubled(roomy(spread=spread)) - troubled(roomy()) == {"space/cantilever"}

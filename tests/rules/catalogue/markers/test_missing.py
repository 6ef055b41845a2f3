from __future__ import annotations

import pytest

from server.rules.catalogue.markers.missing import RULE
from server.rules.limit import Level, Outcome
from server.rules.sheet import ToleranceSheet
from tests.rules.good_set import ask_one, case, records, troubled


def test_positions_that_are_there_pass_and_are_named() -> None:
    finding = ask_one(RULE, case())
    assert (finding.outcome, finding.records) == (Outcome.PASSED, ("markers.stl",))


@pytest.mark.parametrize(
    ("prosthesis", "level"),
    [("provisional", Level.LOOK), ("try-in", Level.LOOK), ("definitive", Level.RETURN)],
)
def test_missing_positions_are_graver_for_a_definitive(prosthesis: str, level: Level) -> None:
    of = case(prosthesis=prosthesis, records=records(without="markers"))
    assert (ask_one(RULE, of).outcome, ask_one(RULE, of).level) == (Outcome.FAILED, level)
    assert troubled(of) == {"markers/missing"}


def test_a_sheet_sets_its_own_level() -> None:
    of = case(prosthesis="definitive", records=records(without="markers"))
    sheet = ToleranceSheet.model_validate(
        {"name": "own", "version": 1, "prosthesis": "definitive", "levels": {RULE.id: "note"}}
    )
    assert ask_one(RULE, of, sheet).level is Level.NOTE

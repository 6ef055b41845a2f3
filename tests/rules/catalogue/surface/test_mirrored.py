from __future__ import annotations

from dataclasses import replace

import pytest

from server.measures.markers import Hands
from server.measures.relation import Came
from server.rules.catalogue.markers.mirrored import RULE as MARKERS_RULE
from server.rules.catalogue.surface.mirrored import RULE
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, case, record
from tests.rules.joined import joined, link
from tests.rules.positions import positions

M = Came.MIRRORED


def told(of: CaseEvidence) -> dict[str, tuple[Outcome, Level]]:
    return {found.records[0]: (found.outcome, found.level) for found in ask(RULE, of)}


BROKEN = (Outcome.FAILED, Level.RETURN)
FINE = (Outcome.PASSED, Level.CLEAR)


def test_records_of_one_hand_pass() -> None:
    of = told(joined(link("tissue", "jaw"), link("denture", "jaw", Came.REGISTERED)))
    assert of["jaw.stl"] == of["tissue.stl"] == of["denture.stl"] == FINE
    assert of["opposing.stl"] == (Outcome.NOT_MEASURED, Level.NOTE)


@pytest.mark.parametrize("hand", [None, Hands.MIRRORED, Hands.UNTOLD])
def test_the_one_that_all_others_speak_against_is_returned(hand: Hands | None) -> None:
    links = (link("tissue", "jaw", M), link("denture", "jaw", M), link("denture", "tissue"))
    of = told(joined(*links, hand=hand))
    assert [file for file, said in of.items() if said == BROKEN] == ["jaw.stl"]
    assert of["tissue.stl"] == of["denture.stl"] == FINE


def test_one_against_one_names_both() -> None:
    of = joined(link("tissue", "jaw", M))
    assert [file for file, said in told(of).items() if said == BROKEN] == ["jaw.stl", "tissue.stl"]
    (jaw, tissue, *_) = ask(RULE, of)
    assert "tissue.stl" in jaw.records
    assert "mirror images of each other" in tissue.says


def test_the_positions_settle_which_of_two_it_is() -> None:
    of = told(joined(link("tissue", "jaw", M), hand=Hands.MIRRORED))
    assert (of["jaw.stl"], of["tissue.stl"]) == (BROKEN, FINE)
    of = told(joined(link("tissue", "jaw", M), hand=Hands.SAME))
    assert (of["jaw.stl"], of["tissue.stl"]) == (FINE, BROKEN)


def test_positions_against_the_jaw_alone_are_the_other_rules_matter() -> None:
    of = joined(hand=Hands.MIRRORED)
    (jaw, *_) = ask(RULE, of)
    assert (jaw.outcome, jaw.because) == (Outcome.NOT_MEASURED, "markers/mirrored")


def test_positions_that_go_with_all_but_the_jaw_are_not_blamed() -> None:
    links = (link("tissue", "jaw", M), link("denture", "jaw", M), link("denture", "tissue"))
    of = positions(hand=Hands.MIRRORED)
    assert ask_one(MARKERS_RULE, of).level is Level.RETURN
    beside = replace(of, measurements={**of.measurements, **joined(*links).measurements})
    found = ask_one(MARKERS_RULE, beside)
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "surface/mirrored")


def test_where_no_two_could_be_compared_nothing_is_said() -> None:
    assert told(case(record())) == {"jaw.stl": (Outcome.NOT_MEASURED, Level.NOTE)}

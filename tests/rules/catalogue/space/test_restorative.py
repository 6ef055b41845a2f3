from __future__ import annotations

import pytest

from server.measures.against import Missing
from server.records.bodies import SeatLevel
from server.rules.catalogue.space.restorative import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, sites, troubled
from tests.rules.rooms import room, roomy


@pytest.mark.parametrize(
    ("opposing_mm", "outcome", "level"),
    [
        (7.65, Outcome.PASSED, Level.CLEAR),
        (7.45, Outcome.DOUBTFUL, Level.LOOK),
        (6.7, Outcome.FAILED, Level.LOOK),
        (6.05, Outcome.DOUBTFUL, Level.LOOK),
        (5.85, Outcome.FAILED, Level.RETURN),
    ],
)
def test_resin_wants_seven_and_a_half(opposing_mm: float, outcome: Outcome, level: Level) -> None:
    found = ask(RULE, roomy(room(1, opposing_mm=opposing_mm)))
    assert [(f.outcome, f.level) for f in found] == [
        (Outcome.PASSED, Level.CLEAR),
        (outcome, level),
        *[(Outcome.PASSED, Level.CLEAR)] * 2,
    ]
    assert (found[1].site_index, found[1].value, found[1].u95) == ((1,), opposing_mm, 0.1)
    assert found[1].where[0].record == "opposing.stl"


@pytest.mark.parametrize(
    ("form", "changes", "look", "back"),
    [
        ({"material": "zirconia"}, {}, 12.0, 10.0),
        ({"material": "metal-acrylic"}, {}, 15.0, 12.0),
        ({}, {"seat_level": SeatLevel.IMPLANT}, 5.0, 4.0),
        ({"material": "zirconia", "prosthesis": "definitive"}, {"seat_level": SeatLevel.IMPLANT}, 12.0, 10.0),
    ],
)
def test_the_minimum_is_that_of_material_and_datum(
    form: dict[str, str], changes: dict[str, object], look: float, back: float
) -> None:
    for value, level in ((look + 0.2, Level.CLEAR), (look - 0.3, Level.LOOK), (back - 0.2, Level.RETURN)):
        finding = ask(RULE, roomy(room(2, opposing_mm=value, **changes), **form))[2]
        assert finding.level is level
        assert finding.limit is not None
        assert (finding.limit.look, finding.limit.return_) == (look, back)


def test_a_covered_implant_and_a_jaw_without_teeth_are_not_asked() -> None:
    covered = ask(RULE, roomy(sites=sites({}, {"loaded": False})))[1]
    assert covered.outcome is Outcome.NOT_APPLICABLE
    bare = ask(RULE, roomy(opposing_dentition="edentulous"))
    assert {f.outcome for f in bare} == {Outcome.NOT_APPLICABLE}


def test_what_is_missing_is_named_once_by_its_own_rule() -> None:
    lost = Missing(says="it could not be placed", because="surface/no-fit")
    found = ask(RULE, roomy(space={"opposing": None, "opposing_missing": lost}))
    assert {(f.outcome, f.level, f.because) for f in found} == {
        (Outcome.NOT_MEASURED, Level.LOOK, "surface/no-fit")
    }


def test_an_axis_that_passes_the_other_jaw_is_a_note() -> None:
    beside = room(
        0, opposing_mm=None, u95_opposing_mm=None, opposing_says="its axis does not meet the other jaw"
    )
    finding = ask(RULE, roomy(beside))[0]
    assert (finding.outcome, finding.level) == (Outcome.NOT_MEASURED, Level.NOTE)


def test_only_this_rule_speaks() -> None:
    assert troubled(roomy(room(1, opposing_mm=5.0))) - troubled(roomy()) == {"space/restorative"}

from __future__ import annotations

import pytest

from server.measures.against import Missing
from server.metrology.space.outer_face import Face
from server.rules.catalogue.space.screw_exit import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, troubled
from tests.rules.rooms import room, roomy


@pytest.mark.parametrize(
    ("crest_mm", "outcome", "level"),
    [
        (1.35, Outcome.PASSED, Level.CLEAR),
        (1.25, Outcome.DOUBTFUL, Level.LOOK),
        (0.65, Outcome.FAILED, Level.LOOK),
        (0.0, Outcome.FAILED, Level.LOOK),
    ],
)
@pytest.mark.parametrize("face", [Face.INNER, Face.CHEWING])
def test_within_a_millimetre_of_the_edge_the_lab_looks(
    face: Face, crest_mm: float, outcome: Outcome, level: Level
) -> None:
    finding = ask(RULE, roomy(room(2, face=face, crest_mm=crest_mm)))[2]
    assert (finding.outcome, finding.level, finding.site_index) == (outcome, level, (2,))


def test_on_the_outer_face_the_lab_looks_however_far_the_edge() -> None:
    finding = ask(RULE, roomy(room(1, face=Face.OUTER, crest_mm=4.0, inside_mm=-2.0)))[1]
    assert (finding.outcome, finding.level) == (Outcome.FAILED, Level.LOOK)
    assert finding.where[0].record == "denture.stl"


@pytest.mark.parametrize("face", [Face.INNER, Face.CHEWING])
def test_behind_the_front_teeth_there_is_no_edge_to_come_near(face: Face) -> None:
    """Site 0 is a molar, 36."""
    finding = ask(RULE, roomy(room(0, face=face, crest_mm=0.2)))[0]
    assert (finding.outcome, finding.level) == (Outcome.PASSED, Level.CLEAR)


def test_what_is_missing_is_said() -> None:
    lost = Missing(says="it could not be placed", because="surface/no-fit")
    found = ask(RULE, roomy(space={"denture": None, "denture_missing": lost}))
    assert {(f.outcome, f.level, f.because) for f in found} == {
        (Outcome.NOT_MEASURED, Level.LOOK, "surface/no-fit")
    }
    no_edge = ask(RULE, roomy(room(0, face=None, crest_mm=None)))[0]
    assert (no_edge.outcome, no_edge.level) == (Outcome.NOT_MEASURED, Level.NOTE)


def test_only_this_rule_speaks() -> None:
    assert troubled(roomy(room(1, face=Face.OUTER))) - troubled(roomy()) == {"space/screw-exit"}

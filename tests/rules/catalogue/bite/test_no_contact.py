from __future__ import annotations

import pytest

from server.measures.relation import Came
from server.rules.catalogue.bite.no_contact import RULE
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level, Outcome
from tests.rules.biting import closed, contact
from tests.rules.good_set import ask, case
from tests.rules.joined import link


@pytest.mark.parametrize(
    ("gap_mm", "ends"),
    [
        (-0.02, (Outcome.PASSED, Level.CLEAR)),
        (0.11, (Outcome.PASSED, Level.CLEAR)),
        (0.14, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.30, (Outcome.FAILED, Level.LOOK)),
        (0.52, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.60, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_each_side_is_judged_by_its_least_gap(gap_mm: float, ends: tuple[Outcome, Level]) -> None:
    left, right = ask(RULE, closed(None, contact(left=gap_mm)))
    assert (left.outcome, left.level) == ends
    assert (left.value, left.unit, left.records) == (gap_mm, "mm", ("denture.stl", "opposing.stl"))
    assert "on the left" in left.says
    assert (right.outcome, right.value) == (Outcome.PASSED, 0.03)
    assert left.where[0].record == "denture.stl"


def test_where_no_tooth_comes_near_the_lab_looks_for_there_may_be_none() -> None:
    left, _ = ask(RULE, closed(None, contact(left=None)))
    assert (left.outcome, left.level) == (Outcome.FAILED, Level.LOOK)


def test_a_jaw_without_teeth_has_nothing_to_meet() -> None:
    (found,) = ask(RULE, closed(opposing_dentition="edentulous"))
    assert found.outcome is Outcome.NOT_APPLICABLE


def test_without_a_denture_no_teeth_are_shown() -> None:
    of = closed()
    bare = CaseEvidence(
        form=of.form,
        records=tuple(r for r in of.records if r.file != "denture.stl"),
        now=of.now,
        measurements=of.measurements,
    )
    (found,) = ask(RULE, bare)
    assert (found.outcome, found.level) == (Outcome.NOT_MEASURED, Level.NOTE)
    (alone,) = ask(RULE, case())
    assert (alone.outcome, alone.level) == (Outcome.NOT_MEASURED, Level.NOTE)


@pytest.mark.parametrize(
    ("came", "because"), [(Came.MIRRORED, "surface/mirrored"), (Came.NOT, "surface/no-fit")]
)
def test_a_denture_that_lies_nowhere_shows_no_teeth_and_why_is_told_elsewhere(
    came: Came, because: str
) -> None:
    of = closed(None, contact(shows_teeth=False), link("denture", "jaw", came))
    (found,) = ask(RULE, of)
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, because)

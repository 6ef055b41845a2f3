from __future__ import annotations

from typing import Any

import pytest

from server.measures.facing import FACING
from server.measures.frames import Link
from server.measures.relation import Came
from server.records.roles import Role
from server.rules.catalogue.bite.scan_disagrees import RULE
from server.rules.evidence import CaseEvidence
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.rules.biting import bite, closed, departs, relation
from tests.rules.good_set import ask, case, measured, record
from tests.rules.joined import link
from tests.rules.surfaces import facing


def by_limit(of: CaseEvidence) -> dict[float, Finding]:
    """The findings by the look number of their limit: residual 0.10, shift 0.15, tilt 0.2."""
    return {f.limit.look: f for f in ask(RULE, of) if f.limit is not None}


def told(**changes: Any) -> dict[float, Finding]:
    return by_limit(closed(relation(bite(**changes))))


def test_a_bite_scan_that_agrees_passes_three_times() -> None:
    found = told()
    assert set(found) == {0.10, 0.15, 0.2}
    assert {f.outcome for f in found.values()} == {Outcome.PASSED}
    assert {f.unit for f in found.values()} == {"mm", "°"}


@pytest.mark.parametrize(
    ("left_mm", "ends"),
    [
        (0.11, (Outcome.PASSED, Level.CLEAR)),
        (-0.14, (Outcome.DOUBTFUL, Level.LOOK)),
        (-0.25, (Outcome.FAILED, Level.LOOK)),
        (0.50, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_its_shift_decides_and_is_told_by_direction(left_mm: float, ends: tuple[Outcome, Level]) -> None:
    found = told(departs=departs(left=left_mm))[0.15]
    assert (found.outcome, found.level) == ends
    assert found.value == pytest.approx(abs(left_mm))
    assert ("to the left" if left_mm > 0.0 else "to the right") in found.says
    assert found.records[0] == "bite-1.stl"
    assert found.where[0].record == "denture.stl"


@pytest.mark.parametrize(
    ("tilt_deg", "ends"),
    [
        (0.13, (Outcome.PASSED, Level.CLEAR)),
        (0.19, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.4, (Outcome.FAILED, Level.LOOK)),
        (0.7, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_its_turn_decides(tilt_deg: float, ends: tuple[Outcome, Level]) -> None:
    found = told(departs=departs(tilt_deg=tilt_deg))[0.2]
    assert (found.outcome, found.level, found.value) == (*ends, tilt_deg)


@pytest.mark.parametrize(
    ("residual_mm", "ends"),
    [
        (0.09, (Outcome.PASSED, Level.CLEAR)),
        (0.12, (Outcome.FAILED, Level.LOOK)),
        (0.30, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_its_scatter_decides(residual_mm: float, ends: tuple[Outcome, Level]) -> None:
    found = told(opposing_residual_mm=residual_mm)[0.10]
    assert (found.outcome, found.level, found.value) == (*ends, residual_mm)


def test_of_two_neither_is_said_to_be_right() -> None:
    found = told(departs=departs(left=0.3, against=("bite-2.stl",)))[0.15]
    assert found.records == ("bite-1.stl", "bite-2.stl")
    assert "cannot be told" in found.says


def test_the_only_one_that_carries_the_relation_is_held_against_nothing() -> None:
    assert set(told(departs=None)) == {0.10}


def misfit(*links: Link, more: tuple[str, ...] = (), without: str = "") -> Finding:
    of = closed(None, None, *links)
    extra = tuple(record(measured(FACING, facing()), role=Role.BITE, file=file) for file in more)
    shown = tuple(r for r in of.records if r.role.value != without) + extra
    made = CaseEvidence(form=of.form, records=shown, now=of.now, measurements=of.measurements)
    return next(f for f in ask(RULE, made) if f.records[:1] == ("bite-1.stl",))


ON_DENTURE, ON_NEITHER = link("bite-1", "denture"), link("bite-1", "denture", Came.NOT)
NOT_OPPOSING = link("bite-1", "opposing", Came.NOT)


def test_a_bite_of_other_teeth_goes_back() -> None:
    for links in ((ON_DENTURE, NOT_OPPOSING), (ON_NEITHER, NOT_OPPOSING)):
        found = misfit(*links)
        assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)
        assert "other teeth" in found.says


def test_one_that_lies_in_more_than_one_way_is_for_the_lab() -> None:
    assert misfit(ON_DENTURE, link("bite-1", "opposing", Came.AMBIGUOUS)).level is Level.LOOK


def test_a_mirrored_one_is_told_elsewhere() -> None:
    assert misfit(ON_DENTURE, link("bite-1", "opposing", Came.MIRRORED)).because == "surface/mirrored"


def test_where_no_bite_scan_lies_on_a_jaw_the_jaw_is_to_blame() -> None:
    others = (link("bite-2", "denture"), link("bite-2", "opposing", Came.NOT))
    found = misfit(ON_DENTURE, NOT_OPPOSING, *others, more=("bite-2.stl",))
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "surface/no-fit")


def test_without_a_denture_scan_its_teeth_are_not_missed() -> None:
    found = misfit(link("bite-1", "jaw", Came.NOT), link("bite-1", "opposing"), without="denture")
    assert (found.outcome, found.level) == (Outcome.NOT_MEASURED, Level.NOTE)


def test_nothing_is_said_where_nothing_was_compared() -> None:
    found = ask(RULE, case(record(role=Role.BITE, file="bite-1.stl")))
    assert [f.outcome for f in found] == [Outcome.NOT_MEASURED]

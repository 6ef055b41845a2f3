from __future__ import annotations

from typing import Any

import pytest

from server.measures.against import Missing
from server.measures.facing import FACING
from server.measures.height import HEIGHT, ChangeAt, HeightResult, Known
from server.records.roles import Role
from server.rules.catalogue.vertical.changed import RULE
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, case, measured, record, troubled
from tests.rules.standing import of_case
from tests.rules.surfaces import facing


def _vertical(
    seated_mm: float, *, planned_mm: float = 0.0, repeats_mm: tuple[float, ...] = ()
) -> dict[str, object]:
    return {
        "reference_mm": 62.0,
        "seated_mm": seated_mm,
        "planned_change_mm": planned_mm,
        "repeats_mm": list(repeats_mm),
    }


@pytest.mark.parametrize(
    ("seated_mm", "outcome", "level"),
    [
        (62.5, Outcome.PASSED, Level.CLEAR),
        (62.75, Outcome.DOUBTFUL, Level.LOOK),
        (65.0, Outcome.DOUBTFUL, Level.LOOK),
        (65.25, Outcome.FAILED, Level.RETURN),
        (61.5, Outcome.PASSED, Level.CLEAR),
        (61.25, Outcome.DOUBTFUL, Level.LOOK),
        (58.75, Outcome.FAILED, Level.RETURN),
    ],
)
def test_without_repeats_a_reading_is_worth_a_millimetre(
    seated_mm: float, outcome: Outcome, level: Level
) -> None:
    """1.5 and 2.0 mm with U95 1.0 mm: within up to 0.5, beyond from 3.0, either way."""
    finding = ask_one(RULE, case(vertical=_vertical(seated_mm)))
    assert (finding.outcome, finding.level) == (outcome, level)
    assert (finding.value, finding.u95, finding.unit) == (seated_mm - 62.0, 1.0, "mm")


def test_a_planned_change_is_no_change() -> None:
    assert ask_one(RULE, case(vertical=_vertical(66.0, planned_mm=4.0))).outcome is Outcome.PASSED
    finding = ask_one(RULE, case(vertical=_vertical(62.0, planned_mm=4.0)))
    assert (finding.value, finding.level) == (-4.0, Level.RETURN)


def test_good_repeats_make_the_reading_worth_more_and_poor_ones_less() -> None:
    good = ask_one(RULE, case(vertical=_vertical(62.6, repeats_mm=(62.6, 62.6, 62.6, 62.6, 62.6))))
    poor = ask_one(RULE, case(vertical=_vertical(62.6, repeats_mm=(61.6, 63.6))))
    assert good.u95 is not None
    assert poor.u95 is not None
    assert good.u95 < 1.0 < poor.u95
    assert (good.outcome, poor.outcome) == (Outcome.PASSED, Outcome.DOUBTFUL)


def test_only_this_rule_answers_to_a_changed_height() -> None:
    of = case(vertical=_vertical(66.0, repeats_mm=(65.9, 66.1)))
    assert troubled(of) == {"vertical/changed"}


def test_without_both_readings_it_names_the_rule_that_says_so() -> None:
    finding = ask_one(RULE, case(vertical={"seated_mm": 62.0}))
    assert (finding.outcome, finding.because) == (Outcome.NOT_MEASURED, "vertical/missing")


def _at(change_mm: float) -> ChangeAt:
    return ChangeAt(at_mm=(0.0, 40.0, 0.0), change_mm=change_mm, u95_mm=0.1)


def _scanned(incisors_mm: float = 0.0, *, missing: Missing | None = None, **form: Any) -> CaseEvidence:
    """The good case with two scans from before, which say that."""
    made = case(record(measured(FACING, facing()), role=Role.BEFORE, file="before.stl"), **form)
    told = HeightResult(
        before=("before.stl", "before-2.stl"),
        opposing="opposing.stl",
        known=Known.TWO_FILES,
        incisors=_at(incisors_mm),
        molars_left=_at(incisors_mm / 3.0),
        molars_right=_at(incisors_mm / 3.0),
    )
    result = HeightResult(missing=missing) if missing else told
    return CaseEvidence(
        form=made.form,
        records=made.records,
        now=made.now,
        bodies=made.bodies,
        measurements={HEIGHT.name: of_case(HEIGHT, result)},
    )


@pytest.mark.parametrize(
    ("incisors_mm", "outcome", "level"),
    [
        (1.35, Outcome.PASSED, Level.CLEAR),
        (1.45, Outcome.DOUBTFUL, Level.LOOK),
        (1.8, Outcome.FAILED, Level.LOOK),
        (2.15, Outcome.FAILED, Level.RETURN),
        (-1.35, Outcome.PASSED, Level.CLEAR),
        (-1.8, Outcome.FAILED, Level.LOOK),
        (-2.15, Outcome.FAILED, Level.RETURN),
    ],
)
def test_surfaces_are_judged_by_themselves(incisors_mm: float, outcome: Outcome, level: Level) -> None:
    marks, surfaces, _ = ask(RULE, _scanned(incisors_mm, vertical=_vertical(62.0)))
    assert marks.outcome is Outcome.PASSED
    assert (surfaces.outcome, surfaces.level, surfaces.value) == (outcome, level, incisors_mm)
    assert surfaces.records == ("before.stl", "before-2.stl", "opposing.stl")


def test_what_was_planned_is_taken_off_the_surfaces_too() -> None:
    _, surfaces, apart = ask(RULE, _scanned(3.0, vertical=_vertical(65.0, planned_mm=3.0)))
    assert (surfaces.outcome, surfaces.value) == (Outcome.PASSED, 0.0)
    assert apart.outcome is Outcome.PASSED


@pytest.mark.parametrize(
    ("incisors_mm", "outcome"), [(0.4, Outcome.PASSED), (0.6, Outcome.DOUBTFUL), (2.6, Outcome.FAILED)]
)
def test_marks_and_surfaces_are_held_against_each_other(incisors_mm: float, outcome: Outcome) -> None:
    """1.5 mm with the U95 of both, 1.005 mm: apart for certain from 2.51 on. However far, the lab looks."""
    apart = ask(RULE, _scanned(incisors_mm, vertical=_vertical(62.0)))[2]
    assert (apart.outcome, apart.value) == (outcome, incisors_mm)
    assert apart.level in (Level.CLEAR, Level.LOOK)


def test_without_marks_the_surfaces_still_speak() -> None:
    marks, surfaces = ask(RULE, _scanned(2.5, vertical={"seated_mm": 62.0}))
    assert (marks.outcome, marks.because) == (Outcome.NOT_MEASURED, "vertical/missing")
    assert surfaces.level is Level.RETURN


def test_a_scan_from_before_that_says_nothing_of_the_height_is_a_note() -> None:
    alone = Missing(says="the scan from before shows the working jaw alone")
    marks, surfaces = ask(RULE, _scanned(missing=alone, vertical=_vertical(62.0)))
    assert marks.outcome is Outcome.PASSED
    assert (surfaces.outcome, surfaces.level, surfaces.because) == (Outcome.NOT_MEASURED, Level.NOTE, None)

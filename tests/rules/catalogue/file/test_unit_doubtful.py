from __future__ import annotations

from typing import Any

import pytest

from server.records.roles import Role
from server.rules.catalogue.file.unit_doubtful import RULE
from server.rules.limit import Level, Outcome
from tests.rules.files import extent, good_record, of, refused
from tests.rules.good_set import ask, ask_one, troubled


def _of(**changes: Any) -> Any:
    return of(good_record(extent(**changes)))


@pytest.mark.parametrize("span_mm", [13.0, 15.0, 40.0, 72.0, 125.0])
def test_the_size_of_a_record_of_a_mouth_passes(span_mm: float) -> None:
    """A partial scan is small, not in metres."""
    finding = ask_one(RULE, _of(span_mm=span_mm))
    assert (finding.outcome, finding.value) == (Outcome.PASSED, span_mm)


@pytest.mark.parametrize(
    ("span_mm", "fitting"),
    [(0.072, ["m"]), (7.2, ["cm"]), (2.83, ["in", "cm"]), (720.0, ["mm"]), (12.9, ["cm"])],
)
def test_a_size_that_fits_another_unit_is_looked_at(span_mm: float, fitting: list[str]) -> None:
    unit_mm = 10.0 if fitting == ["mm"] else 1.0
    doubtful = _of(span_mm=span_mm, fitting_units=fitting, unit_mm=unit_mm)
    finding = ask_one(RULE, doubtful)
    assert (finding.outcome, finding.level, finding.value) == (Outcome.FAILED, Level.LOOK, span_mm)
    assert troubled(doubtful) == {RULE.id}


@pytest.mark.parametrize("span_mm", [0.5, 300.0])
def test_a_size_that_fits_no_unit_is_returned(span_mm: float) -> None:
    assert ask_one(RULE, _of(span_mm=span_mm, fitting_units=[])).level is Level.RETURN


def test_a_file_that_states_another_unit_than_the_form_is_looked_at() -> None:
    by_size, stated = ask(RULE, _of(stated_unit_mm=25.4))
    assert by_size.outcome is Outcome.PASSED
    assert (stated.outcome, stated.level) == (Outcome.FAILED, Level.LOOK)
    assert ask_one(RULE, _of(stated_unit_mm=1.0)).outcome is Outcome.PASSED


@pytest.mark.parametrize(
    ("fitting", "unit_mm", "level"),
    [(["mm"], 1.0, None), (["m"], 1000.0, Level.NOTE), (["in", "cm"], 25.4, Level.LOOK)],
)
def test_a_unit_taken_by_size_is_said(fitting: list[str], unit_mm: float, level: Level | None) -> None:
    found = ask(RULE, _of(unit_from="size", fitting_units=fitting, unit_mm=unit_mm))
    assert [f.level for f in found] == ([Level.CLEAR] if level is None else [Level.CLEAR, level])


def test_two_positions_have_no_size() -> None:
    few = good_record(extent(n_points=2, span_mm=4.0, fitting_units=[]), role=Role.MARKERS)
    assert ask_one(RULE, of(few)).outcome is Outcome.NOT_APPLICABLE


def test_a_refused_file_is_left_to_the_rule_that_refused_it() -> None:
    assert ask_one(RULE, of(refused("file/unreadable"))).because == "file/unreadable"

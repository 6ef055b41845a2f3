from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from server.measures.change import CHANGE, ChangeResult, Ended, RecordChange
from server.measures.measure import Measurement, Status
from server.records.roles import Role
from server.rules.catalogue.round.changed_too_much import RULE
from server.rules.evidence import CaseEvidence
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, case, record

PLACE = (1.0, 2.0, 3.0)


def _rescan(role: Role = Role.TISSUE, **changes: Any) -> CaseEvidence:
    good: dict[str, Any] = {
        "file": "new.stl",
        "overlap_ratio": 0.95,
        "differing_ratio": 0.0,
        "p95_mm": 0.03,
        "changed_mm": 0.06,
        "u95_mm": 0.02,
        "at_mm": PLACE,
    }
    result = ChangeResult(records=(RecordChange(**{**good, **changes}),))
    made = Measurement(
        key="k",
        measure=CHANGE.name,
        revision=CHANGE.revision,
        status=Status.MEASURED,
        result=result.model_dump(mode="json"),
    )
    return replace(
        case(record(role=role, file="new.stl")),
        measurements={CHANGE.name: made},
        replaced={"new.stl": record(role=role, file="old.stl")},
    )


def _ends(found: Finding) -> tuple[Outcome, Level]:
    return found.outcome, found.level


@pytest.mark.parametrize(
    ("changed_mm", "ends"),
    [
        (0.06, (Outcome.PASSED, Level.CLEAR)),
        (0.18, (Outcome.PASSED, Level.CLEAR)),
        (0.19, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.23, (Outcome.FAILED, Level.LOOK)),
        (0.98, (Outcome.FAILED, Level.LOOK)),
        (1.01, (Outcome.DOUBTFUL, Level.LOOK)),
        (1.03, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_largest_changed_place_decides(changed_mm: float, ends: tuple[Outcome, Level]) -> None:
    found = ask_one(RULE, _rescan(changed_mm=changed_mm))
    assert _ends(found) == ends
    assert (found.value, found.u95) == (changed_mm, 0.02)
    assert [place.point_mm for place in found.where] == [PLACE]


@pytest.mark.parametrize("role", [Role.JAW, Role.DENTURE])
def test_where_a_change_may_be_meant_nothing_is_returned(role: Role) -> None:
    assert _ends(ask_one(RULE, _rescan(role, changed_mm=2.5))) == (Outcome.FAILED, Level.LOOK)
    assert _ends(ask_one(RULE, _rescan(role, changed_mm=0.1))) == (Outcome.PASSED, Level.CLEAR)


@pytest.mark.parametrize(
    ("ended", "because", "ends"),
    [
        (Ended.NOTHING_FITS, None, (Outcome.FAILED, Level.LOOK)),
        (Ended.AMBIGUOUS, None, (Outcome.NOT_MEASURED, Level.NOTE)),
        (Ended.UNREAD, "file/truncated", (Outcome.NOT_MEASURED, Level.LOOK)),
        (Ended.NOTHING_TO_COMPARE, None, (Outcome.NOT_APPLICABLE, Level.CLEAR)),
    ],
)
def test_what_could_not_be_compared_says_so(
    ended: Ended, because: str | None, ends: tuple[Outcome, Level]
) -> None:
    nothing = dict.fromkeys(("overlap_ratio", "differing_ratio", "p95_mm", "changed_mm", "u95_mm", "at_mm"))
    found = ask_one(RULE, _rescan(ended=ended, because=because, says="it could not be done", **nothing))
    assert _ends(found) == ends
    assert found.because == because


def test_a_record_that_replaces_nothing_is_not_asked_about() -> None:
    found = ask_one(RULE, case(record(role=Role.TISSUE, file="new.stl")))
    assert _ends(found) == (Outcome.NOT_APPLICABLE, Level.CLEAR)


def test_a_comparison_that_was_not_made_is_not_measured() -> None:
    found = ask_one(RULE, replace(_rescan(), measurements={}))
    assert _ends(found) == (Outcome.NOT_MEASURED, Level.NOTE)

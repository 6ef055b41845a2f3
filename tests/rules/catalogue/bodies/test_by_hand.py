from __future__ import annotations

from dataclasses import replace

import pytest

from server.measures.bodies import Matched
from server.records.case_form import Spots
from server.rules.catalogue.bodies.by_hand import RULE
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask
from tests.rules.standing import seen, standing

CORNERS = ((0.0, 0.0, 0.0), (3.0, 0.0, 0.0), (0.0, 3.0, 0.0))
SPOTS = Spots(body="rb-60", scan_mm=CORNERS, body_mm=CORNERS)


def matched(evidence: CaseEvidence, *came: Matched) -> CaseEvidence:
    """The case with spots in its jaw scan, and what came of them."""
    jaw, *others = evidence.records
    made = jaw.measurements["bodies.found"]
    assert made.result is not None
    made.result["matched"] = [one.value for one in came]
    entry = jaw.entry.model_copy(update={"spots": (SPOTS,) * len(came)})
    return replace(evidence, records=(replace(jaw, entry=entry), *others))


def test_nothing_matched_by_hand_has_nothing_to_look_at() -> None:
    assert {f.outcome for f in ask(RULE, standing(seen(0)))} == {Outcome.NOT_APPLICABLE}


def test_a_body_placed_by_hand_is_looked_at_by_another_person() -> None:
    (found,) = ask(RULE, matched(standing(seen(0, by_hand=True), seen(1)), Matched.FITTED))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.LOOK)
    assert found.sites == ("36",)
    assert "36" in found.says


@pytest.mark.parametrize("came", [Matched.NOTHING_THERE, Matched.NO_SUCH_BODY, Matched.NO_MATCH])
def test_spots_that_came_to_nothing_are_said(came: Matched) -> None:
    (found,) = ask(RULE, matched(standing(seen(0)), came))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.LOOK)
    assert "rb-60" in found.says


def test_a_body_found_by_itself_needs_no_hand() -> None:
    (found,) = ask(RULE, matched(standing(seen(0)), Matched.FOUND_WITHOUT))
    assert found.outcome is Outcome.PASSED

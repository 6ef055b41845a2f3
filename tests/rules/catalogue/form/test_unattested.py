from __future__ import annotations

import pytest

from server.rules.catalogue.form.unattested import RULE
from server.rules.limit import Level, Outcome
from server.rules.sheet import ToleranceSheet
from tests.rules.good_set import GOOD_FORM, ask_one, case, records, troubled


def test_everything_confirmed_passes() -> None:
    assert ask_one(RULE, case()).outcome is Outcome.PASSED


@pytest.mark.parametrize("field", list(GOOD_FORM["attested"]))
@pytest.mark.parametrize("answer", [None, False])
def test_a_confirmation_not_given_is_a_note(field: str, answer: bool | None) -> None:
    of = case(attested={**GOOD_FORM["attested"], field: answer})
    assert (ask_one(RULE, of).outcome, ask_one(RULE, of).level) == (Outcome.FAILED, Level.NOTE)
    assert troubled(of) == set()


def test_only_what_applies_is_asked_for() -> None:
    given = {"bite_checked_in_mouth": True}
    of = case(attested=given, records=records(without="denture"), vertical=None, sites=[])
    assert ask_one(RULE, of).outcome is Outcome.PASSED


def test_a_sheet_may_ask_for_more() -> None:
    strict = ToleranceSheet(name="strict", version=1, levels={RULE.id: Level.RETURN})
    assert ask_one(RULE, case(attested=None), strict).level is Level.RETURN

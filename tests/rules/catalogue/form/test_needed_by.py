from __future__ import annotations

import pytest

from server.rules.catalogue.form.needed_by import RULE
from server.rules.limit import Level, Outcome
from server.rules.sheet import SheetLimit, ToleranceSheet
from tests.rules.good_set import GOOD_FORM, ask, case, troubled


def _prescriber(signed_at: str) -> dict[str, str]:
    return {**GOOD_FORM["prescriber"], "signed_at": signed_at}


def test_hours_to_come_and_hours_since_the_signature() -> None:
    notice, ahead = ask(RULE, case())
    assert (notice.value, notice.unit, notice.outcome) == (6.5, "h", Outcome.PASSED)
    assert (ahead.value, ahead.outcome) == (-0.25, Outcome.PASSED)


@pytest.mark.parametrize(
    ("needed_by", "outcome"),
    [
        ("2031-05-04T09:00:00+00:00", Outcome.PASSED),
        ("2031-05-04T08:59:00+00:00", Outcome.FAILED),
        ("2031-05-04T11:01:00+02:00", Outcome.PASSED),
        ("2031-05-04T10:59:00+02:00", Outcome.FAILED),
        ("2031-05-04T10:59:00", Outcome.PASSED),
        ("2021-05-04T15:30:00+00:00", Outcome.FAILED),
    ],
)
def test_a_time_past_is_looked_at(needed_by: str, outcome: Outcome) -> None:
    of = case(needed_by=needed_by)
    assert ask(RULE, of)[0].outcome is outcome
    assert troubled(of) == ({"form/needed-by"} if outcome is Outcome.FAILED else set())
    assert ask(RULE, of)[0].level is (Level.LOOK if outcome is Outcome.FAILED else Level.CLEAR)


@pytest.mark.parametrize(
    ("signed_at", "outcome"),
    [
        ("2031-05-04T09:15:00+00:00", Outcome.PASSED),
        ("2031-05-04T09:16:00+00:00", Outcome.FAILED),
        ("2041-01-01T00:00:00+00:00", Outcome.FAILED),
    ],
)
def test_a_signature_of_tomorrow_is_looked_at(signed_at: str, outcome: Outcome) -> None:
    of = case(prescriber=_prescriber(signed_at))
    assert ask(RULE, of)[1].outcome is outcome
    assert ask(RULE, of)[1].level in (Level.LOOK, Level.CLEAR)


def test_a_lab_may_ask_for_notice() -> None:
    limits = {RULE.id: {"notice": SheetLimit(look=8.0, return_=2.0)}}
    sheet = ToleranceSheet(name="own", version=1, limits=limits)
    assert ask(RULE, case(), sheet)[0].level is Level.LOOK
    soon = case(needed_by="2031-05-04T10:00:00+00:00")
    assert ask(RULE, soon, sheet)[0].level is Level.RETURN


def test_without_dates_it_waits_for_the_form() -> None:
    assert ask(RULE, case(needed_by=None, prescriber=None))[0].because == "form/missing"

from __future__ import annotations

from server.rules.catalogue.bodies.seat_unconfirmed import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, case, sites, troubled


def test_radiograph_and_touch_pass() -> None:
    assert [f.outcome for f in ask(RULE, case())] == [Outcome.PASSED] * 4


def test_an_unconfirmed_seat_is_looked_at_at_its_site() -> None:
    of = case(sites=sites({}, {"seat_confirmed": "no"}))
    found = ask(RULE, of)
    assert [(f.outcome, f.level) for f in found if f.level is not Level.CLEAR] == [
        (Outcome.FAILED, Level.LOOK)
    ]
    assert found[1].sites == ("33",)
    assert troubled(of) == {"bodies/seat-unconfirmed"}


def test_an_open_answer_waits_for_the_form_and_a_covered_implant_is_left_out() -> None:
    found = ask(RULE, case(sites=sites({"seat_confirmed": None}, {"loaded": False, "seat_confirmed": "no"})))
    assert (found[0].outcome, found[0].because) == (Outcome.NOT_MEASURED, "form/missing")
    assert found[1].outcome is Outcome.NOT_APPLICABLE

from __future__ import annotations

import pytest

from server.rules.catalogue.bodies.wrong_kind import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, sites
from tests.rules.standing import kind, seen, standing


@pytest.mark.parametrize(
    ("own_mm2", "ends"),
    [
        (84.0, (Outcome.PASSED, Level.CLEAR)),
        (81.0, (Outcome.PASSED, Level.CLEAR)),
        (75.0, (Outcome.FAILED, Level.LOOK)),
        (60.0, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_another_kind_that_explains_clearly_more_is_returned(
    own_mm2: float, ends: tuple[Outcome, Level]
) -> None:
    body = seen(0, body="rb-45", kinds=(kind("rb-45", 84.0), kind("rb-60", own_mm2)))
    found = ask_one(RULE, standing(body))
    assert (found.outcome, found.level) == ends


def test_the_finding_names_both_kinds_and_the_site() -> None:
    found = ask_one(RULE, standing(seen(0), seen(1, body="rb-45", kinds=(kind("rb-45", 70.0),))))
    assert found.sites == ("33",)
    assert "rb-45" in found.says
    assert "rb-60" in found.says


def test_a_kind_the_catalogue_lacks_cannot_be_compared() -> None:
    found = ask_one(RULE, standing(sites=sites({"scan_body": "rb-00"})))
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "bodies/not-in-catalogue")


def test_a_site_without_a_kind_names_the_form() -> None:
    found = ask_one(RULE, standing(sites=sites({"scan_body": None})))
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "form/missing")

from __future__ import annotations

import pytest

from server.rules.catalogue.form.tooth_code import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, case, sites, troubled


@pytest.mark.parametrize("code", ["39", "49", "30", "5", "3", "51", "3-6", "lower left", "036", "٣٦"])
def test_a_code_of_no_tooth_is_returned_at_its_site(code: str) -> None:
    of = case(sites=sites({}, {"tooth": code}))
    finding = ask_one(RULE, of)
    assert (finding.outcome, finding.level, finding.site_index) == (Outcome.FAILED, Level.RETURN, (1,))
    assert troubled(of) == {"form/tooth-code"}


@pytest.mark.parametrize(
    "numbering_and_codes", [("fdi", ["31", "38", "41", "48"]), ("universal", ["17", "24", "25", "32"])]
)
def test_the_ends_of_each_system_pass(numbering_and_codes: tuple[str, list[str]]) -> None:
    numbering, codes = numbering_and_codes
    of = case(numbering=numbering, planned_teeth=None, sites=sites(*({"tooth": c} for c in codes)))
    assert ask_one(RULE, of).outcome is Outcome.PASSED


@pytest.mark.parametrize("code", ["0", "33", "99"])
def test_a_number_beyond_the_universal_system_is_returned(code: str) -> None:
    of = case(numbering="universal", planned_teeth=None, sites=[{"tooth": code}])
    assert ask_one(RULE, of).level is Level.RETURN


@pytest.mark.parametrize("planned", ["36-49", "39", "36-16", "36-33-46"])
def test_planned_teeth_that_are_none_are_returned(planned: str) -> None:
    finding = ask_one(RULE, case(planned_teeth=planned))
    assert (finding.level, finding.site_index) == (Level.RETURN, ())


def test_every_wrong_site_is_a_finding() -> None:
    of = case(sites=sites({"tooth": "39"}, {}, {"tooth": "x"}))
    assert [f.site_index for f in ask(RULE, of)] == [(0,), (2,)]


def test_without_a_numbering_it_waits_for_the_form() -> None:
    finding = ask_one(RULE, case(numbering=None))
    assert (finding.outcome, finding.because, finding.level) == (
        Outcome.NOT_MEASURED,
        "form/missing",
        Level.LOOK,
    )


def test_codes_that_all_fit_in_the_other_numbering_wait_until_it_is_settled() -> None:
    """Universal codes of a lower jaw in a form that declares two-digit codes: 19 and 30 are no FDI teeth."""
    of = case(planned_teeth="19-30", sites=sites(*({"tooth": c} for c in ("19", "22", "27", "30"))))
    finding = ask_one(RULE, of)
    assert (finding.outcome, finding.level) == (Outcome.NOT_MEASURED, Level.LOOK)
    assert finding.because == "form/numbering-doubtful"
    mixed = case(sites=sites({"tooth": "19"}))
    assert ask_one(RULE, mixed).level is Level.RETURN

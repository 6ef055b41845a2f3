from __future__ import annotations

import pytest

from server.rules.catalogue import RULES
from server.rules.catalogue.form.arch_mismatch import RULE
from server.rules.evidence import CaseEvidence
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.rules.runner import judge
from server.rules.sheet import default_sheet
from tests.rules.good_set import ask_one, case, sites, troubled


def test_a_tooth_of_the_other_jaw_is_returned_at_its_site() -> None:
    of = case(sites=sites({}, {}, {"tooth": "13"}))
    finding = ask_one(RULE, of)
    assert (finding.outcome, finding.level) == (Outcome.FAILED, Level.RETURN)
    assert (finding.sites, finding.site_index) == (("13",), (2,))
    assert troubled(of) == {"form/arch-mismatch"}


def test_sites_that_all_lie_in_the_other_jaw_are_one_finding() -> None:
    of = case(working_arch="upper")
    finding = ask_one(RULE, of)
    assert (finding.level, finding.site_index) == (Level.RETURN, (0, 1, 2, 3))
    assert troubled(of) == {"form/arch-mismatch"}


def test_planned_teeth_of_the_other_jaw_are_returned() -> None:
    of = case(planned_teeth="16-26")
    assert ask_one(RULE, of).level is Level.RETURN
    assert troubled(of) == {"form/arch-mismatch"}


@pytest.mark.parametrize("field", ["working_arch", "numbering"])
def test_it_waits_for_jaw_and_numbering(field: str) -> None:
    assert ask_one(RULE, case(**{field: None})).because == "form/missing"


def test_codes_of_no_tooth_are_left_to_their_own_rule() -> None:
    of = case(planned_teeth=None, sites=[{"tooth": "99"}])
    finding = ask_one(RULE, of)
    assert (finding.outcome, finding.because) == (Outcome.NOT_MEASURED, "form/tooth-code")


def test_the_right_jaw_passes_in_either_system() -> None:
    assert ask_one(RULE, case()).outcome is Outcome.PASSED
    universal = case(
        numbering="universal",
        planned_teeth="19-30",
        sites=sites({"tooth": "19"}, {"tooth": "22"}, {"tooth": "27"}, {"tooth": "30"}),
    )
    assert ask_one(RULE, universal).outcome is Outcome.PASSED


def test_codes_that_all_fit_in_the_other_numbering_wait_until_it_is_settled() -> None:
    """21, 22, 27, 28 are lower teeth in the Universal system and upper ones in the FDI system."""
    of = case(planned_teeth="21-28", sites=sites(*({"tooth": c} for c in ("21", "22", "27", "28"))))
    finding = ask_one(RULE, of)
    assert (finding.outcome, finding.level) == (Outcome.NOT_MEASURED, Level.LOOK)
    assert finding.because == "form/numbering-doubtful"
    assert {"form/numbering-doubtful"} == {f.because or f.rule for f in judged_above_note(of)}


def judged_above_note(of: CaseEvidence) -> list[Finding]:
    return [
        f for f in judge(RULES, of, default_sheet(of.form.prosthesis)) if f.level.gravity > Level.NOTE.gravity
    ]

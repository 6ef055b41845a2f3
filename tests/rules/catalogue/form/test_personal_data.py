from __future__ import annotations

import pytest

from server.rules.catalogue.form.personal_data import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, case, troubled


def test_a_code_and_plain_notes_pass() -> None:
    of = case(notes="Keep the midline of the denture; shade as tab A2. Call back before milling.")
    assert ask_one(RULE, of).outcome is Outcome.PASSED


@pytest.mark.parametrize(
    "changes",
    [
        {"patient_code": "Edith Marlow"},
        {"patient_code": "Marlow-12"},
        {"paired_case": "1956-03-12"},
        {"notes": "Mrs Marlow asks for lighter teeth"},
        {"notes": "write to e.marlow@example.org"},
        {"physical_items": "denture, dob 12.03.1956"},
        {"allergies": "see chart 0045219"},
    ],
)
def test_personal_data_is_a_note_and_never_repeated(changes: dict[str, str]) -> None:
    of = case(**changes)
    finding = ask_one(RULE, of)
    assert (finding.outcome, finding.level) == (Outcome.FAILED, Level.NOTE)
    assert troubled(of) == set()
    told = finding.says + finding.remedy
    assert not any(secret in told for secret in ("Marlow", "Edith", "1956", "example.org", "0045219"))


def test_a_finding_for_each_field() -> None:
    assert len(ask(RULE, case(patient_code="Edith Marlow", notes="born 12.03.1956"))) == 2


def test_prescriber_and_call_back_number_belong_to_the_order() -> None:
    assert ask_one(RULE, case(callback="+49 170 1234567")).outcome is Outcome.PASSED

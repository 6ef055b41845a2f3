from __future__ import annotations

import pytest

from server.rules.catalogue.form.missing import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, case, records, sites, troubled


def test_a_complete_form_passes_and_raises_nothing_else() -> None:
    assert ask_one(RULE, case()).outcome is Outcome.PASSED
    assert troubled(case()) == set()


@pytest.mark.parametrize(
    "field",
    ["patient_code", "material", "connection", "opposing_dentition", "needed_by", "prescriber", "prosthesis"],
)
def test_a_missing_field_of_the_order_is_returned(field: str) -> None:
    of = case(**{field: None})
    assert (ask_one(RULE, of).outcome, ask_one(RULE, of).level) == (Outcome.FAILED, Level.RETURN)
    assert troubled(of) == {"form/missing"}


@pytest.mark.parametrize("field", ["name", "licence", "signed_at"])
def test_a_prescriber_without_name_licence_or_signature_is_returned(field: str) -> None:
    prescriber = {"name": "Dr. Quill", "licence": "D-77031", "signed_at": "2031-05-04T08:45:00+00:00"}
    del prescriber[field]
    assert ask_one(RULE, case(prescriber=prescriber)).level is Level.RETURN


def test_all_that_the_order_lacks_is_one_finding() -> None:
    assert len(ask(RULE, case(material=None, connection=None, needed_by=None))) == 1


@pytest.mark.parametrize("field", ["tooth", "scan_body", "seat_confirmed"])
def test_a_site_names_what_it_lacks(field: str) -> None:
    changed = sites()
    del changed[1][field]
    finding = ask_one(RULE, case(sites=changed))
    assert finding.level is Level.RETURN
    assert finding.site_index == (1,)


def test_two_sites_are_two_findings() -> None:
    of = case(sites=sites({"scan_body": ""}, {}, {"scan_body": ""}))
    assert [f.site_index for f in ask(RULE, of)] == [(0,), (2,)]


def test_a_covered_implant_needs_neither_body_nor_seat() -> None:
    covered = {"loaded": False, "scan_body": None, "seat_confirmed": None}
    assert ask_one(RULE, case(sites=sites({}, covered))).outcome is Outcome.PASSED


def test_no_loaded_site_is_returned() -> None:
    assert ask_one(RULE, case(sites=[])).level is Level.RETURN


def test_a_jaw_scan_or_a_denture_with_positions_must_be_there() -> None:
    assert ask_one(RULE, case(records=records(without="jaw"))).outcome is Outcome.PASSED
    denture_alone = [e for e in records(without="jaw") if e["role"] != "markers"]
    assert ask_one(RULE, case(records=denture_alone)).level is Level.RETURN


def test_the_opposing_jaw_must_be_there_unless_another_case_brings_it() -> None:
    without = records(without="opposing")
    assert ask_one(RULE, case(records=without)).level is Level.RETURN
    assert ask_one(RULE, case(records=without, paired_case="R-1043")).outcome is Outcome.PASSED


def test_records_missing_are_a_finding_each() -> None:
    assert len(ask(RULE, case(records=[]))) == 2

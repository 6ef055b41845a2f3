from __future__ import annotations

from server.records.case_form import CaseForm
from server.records.completeness import gaps_in
from tests.rules.good_set import form, records, sites


def test_the_good_form_has_no_gap() -> None:
    assert gaps_in(form()) == ()


def test_an_empty_form_names_every_field_once() -> None:
    order, jaw, opposing = gaps_in(CaseForm())
    assert order.fields == (
        "patient_code",
        "working_arch",
        "numbering",
        "prosthesis",
        "material",
        "connection",
        "opposing_dentition",
        "needed_by",
        "prescriber.name",
        "prescriber.licence",
        "prescriber.signed_at",
        "sites",
    )
    assert len(order.words) == len(order.fields)
    assert (jaw.fields, opposing.fields) == (("records.jaw",), ("records.opposing",))


def test_gaps_of_sites_carry_their_place() -> None:
    (gap,) = gaps_in(form(sites=sites({}, {}, {"tooth": "", "scan_body": "", "seat_confirmed": None})))
    assert (gap.fields, gap.site_index) == (("tooth", "scan_body", "seat_confirmed"), 2)


def test_denture_and_positions_stand_in_for_the_jaw_scan() -> None:
    assert gaps_in(form(records=records(without="jaw"))) == ()

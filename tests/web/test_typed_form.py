from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from server.records.case_form import CaseForm
from server.web.pages.fields import moment_from, number_from, numbers_from, zone_named
from server.web.pages.form.build import sections_of, sites_of, values_of
from server.web.pages.form.typed import read_typed
from tests.web.invented import form

LISBON = ZoneInfo("Europe/Lisbon")
NOW = datetime(2031, 5, 4, 8, 0, tzinfo=UTC)


def test_a_saved_form_comes_back_the_same_through_the_page() -> None:
    typed = read_typed(values_of(form(), LISBON), form(), LISBON, NOW)
    assert typed.problems == {}
    assert typed.form == form()


@pytest.mark.parametrize(
    ("text", "number"),
    [("62,3", "62.3"), (" 62.3 ", "62.3"), ("1,234.5", "1,234.5"), ("two", "two"), ("-0,5", "-0.5")],
)
def test_a_decimal_comma_is_a_decimal_point(text: str, number: str) -> None:
    assert number_from(text) == number


@pytest.mark.parametrize("text", ["62.1 62.4", "62,1 62,4", "62.1; 62.4", "62.1, 62.4", "62.1,62.4"])
def test_repeat_readings_may_be_set_apart_as_one_likes(text: str) -> None:
    assert numbers_from(text) == ["62.1", "62.4"]


def test_a_time_is_read_in_the_readers_zone() -> None:
    assert moment_from("2031-05-04T16:30", LISBON) == "2031-05-04T15:30:00+00:00"
    assert moment_from("soon", LISBON) == "soon"
    assert zone_named("Nowhere/Atlantis").key == "UTC"
    assert zone_named("../../etc/passwd").key == "UTC"


def test_what_is_wrong_is_named_and_the_rest_is_kept() -> None:
    values = values_of(form(), LISBON) | {
        "vertical.seated_mm": "sixty",
        "shade": "A2",
        "vertical.reference_mm": "0",
    }
    typed = read_typed(values, form(), LISBON, NOW)
    assert set(typed.problems) == {"vertical.seated_mm", "vertical.reference_mm"}
    assert typed.problems["vertical.seated_mm"] == "Write a number, such as 62.3."
    assert typed.problems["vertical.reference_mm"] == "This must be above 0."
    assert typed.form.shade == "A2"
    assert typed.form.vertical is not None
    assert (typed.form.vertical.seated_mm, typed.form.vertical.reference_mm) == (62.3, 62.0)


def test_a_wrong_field_of_an_implant_is_named_by_its_row_on_the_page() -> None:
    values = {"sites.0.tooth": "34", "sites.3.tooth": "44", "sites.3.cuff_mm": "deep"}
    typed = read_typed(values, CaseForm(), LISBON, NOW)
    assert typed.problems == {"sites.3.cuff_mm": "Write a number, such as 62.3."}
    assert [site.tooth for site in typed.form.sites] == ["34", "44"]
    assert typed.form.sites[1].cuff_mm is None


def test_signing_stamps_the_time_once() -> None:
    first = read_typed({"prescriber.signed": "yes"}, CaseForm(), LISBON, NOW).form
    assert first.prescriber is not None
    assert first.prescriber.signed_at == NOW
    later = datetime(2031, 5, 5, tzinfo=UTC)
    assert read_typed({"prescriber.signed": "yes"}, first, LISBON, later).form.prescriber == first.prescriber
    assert read_typed({}, first, LISBON, later).form.prescriber is None


def test_unknown_fields_of_the_page_are_left_out() -> None:
    typed = read_typed(
        {"clinic_id": "other", "records.0.file": "../x", "patient_code": "R-1"}, CaseForm(), LISBON, NOW
    )
    assert typed.form == CaseForm(patient_code="R-1")


def test_the_list_of_records_outlives_the_form() -> None:
    kept = CaseForm.model_validate({"records": [{"role": "jaw", "file": "jaw.stl", "unit": "mm"}]})
    assert read_typed({"patient_code": "R-1"}, kept, LISBON, NOW).form.records == kept.records


def test_every_field_of_the_form_is_on_the_page() -> None:
    names = {f.name for s in sections_of({}, {}, LISBON) for f in (*s.fields, *s.checks)}
    names |= {
        f.name
        for f in (s.__getattribute__(n) for s in sites_of({"sites.0.tooth": ""}, {}) for n in s.__slots__)
        if hasattr(f, "name")
    }
    kept_elsewhere = {"schema_", "records", "sites"}
    for name in set(CaseForm.model_fields) - kept_elsewhere:
        assert any(shown == name or shown.startswith(name + ".") for shown in names), name
    from server.records.case_form import Site

    for name in set(Site.model_fields) - {"loaded"}:
        assert f"sites.0.{name}" in names
    assert "sites.0.covered" in names

"""The case form as JSON: what is refused, and how each field is named."""

from __future__ import annotations

import json
from typing import Any

import pytest

from server.records.case_form import CaseForm, FormUnusable, case_form_of, read_case_form
from tests.rules.good_set import GOOD_FORM


def problems_of(**changes: Any) -> list[tuple[str, str]]:
    with pytest.raises(FormUnusable) as refused:
        read_case_form(json.dumps({**GOOD_FORM, **changes}))
    return [(p.field, p.says) for p in refused.value.problems]


def test_a_form_reads_back_as_written() -> None:
    form = read_case_form(json.dumps(GOOD_FORM))
    again = read_case_form(form.model_dump_json(exclude_none=True))
    assert again == form
    assert form.sites[0].tooth == "36"


def test_a_form_may_lack_everything_but_its_schema() -> None:
    assert read_case_form(b'{"schema": "archproof.case/1"}') == CaseForm()


@pytest.mark.parametrize(
    ("text", "field", "says"),
    [
        ("", "", "is not JSON"),
        (b"\xff\xfe\x00", "", "is not JSON"),
        ("[" * 100_000, "", "is not JSON"),
        ("[]", "", "is not a JSON object"),
        ("null", "", "is not a JSON object"),
        ("{}", "schema", "is missing"),
        ('{"schema": "archproof.case/2"}', "schema", "Input should be 'archproof.case/1'"),
    ],
)
def test_what_is_no_form_at_all(text: str | bytes, field: str, says: str) -> None:
    with pytest.raises(FormUnusable) as refused:
        read_case_form(text)
    (problem,) = refused.value.problems
    assert problem.field == field
    assert problem.says.startswith(says)


def test_every_wrong_field_is_named_with_the_way_to_it() -> None:
    sites = [{**GOOD_FORM["sites"][0], "torque": 15}, {"tooth": 34, "cuff_mm": -1}]
    found = problems_of(sites=sites, colour="A2", working_arch="middle")
    assert [field for field, _ in found] == [
        "working_arch",
        "sites.0.torque",
        "sites.1.tooth",
        "sites.1.cuff_mm",
        "colour",
    ]
    assert dict(found)["colour"] == "is not a field of the form"


@pytest.mark.parametrize("field", ["patient_code", "notes", "shade"])
def test_a_zero_character_is_refused(field: str) -> None:
    assert problems_of(**{field: "a\0b"}) == [(field, "must not hold a zero character")]


@pytest.mark.parametrize(
    "moment", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "1899-12-31T23:59:59+00:00"]
)
def test_dates_at_the_ends_of_the_calendar_are_refused(moment: str) -> None:
    ((field, says),) = problems_of(needed_by=moment)
    assert (field, says) == ("needed_by", "must be a date between the years 1900 and 9000")


@pytest.mark.parametrize("file", ["../jaw.stl", "/etc/passwd", "a\\..\\b.stl", "c:jaw.stl", "a\0.stl", ""])
def test_a_record_lies_inside_the_folder(file: str) -> None:
    ((field, _),) = problems_of(records=[{"role": "jaw", "file": file}])
    assert field == "records.0.file"


def test_the_refusal_says_all_of_it_in_one_sentence() -> None:
    with pytest.raises(FormUnusable) as refused:
        read_case_form('{"schema": "archproof.case/1", "colour": 1}')
    assert refused.value.says == "The case form cannot be used: colour: is not a field of the form"


CORNERS = [[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 3.0, 0.0]]


@pytest.mark.parametrize(
    ("scan_mm", "says"),
    [
        (CORNERS[:2], "at least 3"),
        ([*CORNERS, [1.0, 1.0, 1.0]], "same number of spots"),
        ([[0.0, 0.0, 0.0], [1.0, 1.0, 1.0], [2.0, 2.0, 2.0]], "one line"),
    ],
)
def test_spots_that_place_nothing_are_refused(scan_mm: list[list[float]], says: str) -> None:
    spots = {"body": "rb-60", "scan_mm": scan_mm, "body_mm": CORNERS}
    data = {"schema": "archproof.case/1", "records": [{"role": "jaw", "file": "jaw.stl", "spots": [spots]}]}
    with pytest.raises(FormUnusable, match=says):
        case_form_of(data)

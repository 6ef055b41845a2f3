from __future__ import annotations

import json

import pytest

from server.measures.measure import Measurement, Status
from server.measures.personal import PERSONAL, PersonalResult
from server.records.personal import PersonalKind
from server.records.roles import Role
from tests.measures.files import TABLE, bench, obj, patch, stl


def _found(data: bytes, name: str) -> tuple[Measurement, set[tuple[PersonalKind, str]]]:
    (made,) = bench(data, name).run([PERSONAL], {})
    assert made.status is Status.MEASURED, made.says
    result = PersonalResult.model_validate(made.result)
    return made, {(item.kind, item.where) for item in result.found}


def test_a_name_planted_in_the_header_of_an_stl_is_found_and_not_repeated() -> None:
    made, found = _found(stl(patch(40.0), b"Patient: Marlow, Edith DOB 12.03.1956"), "jaw.stl")
    assert found == {(PersonalKind.NAME, "header"), (PersonalKind.BIRTH_DATE, "header")}
    assert not any(secret in made.model_dump_json() for secret in ("Marlow", "Edith", "1956"))


def test_a_name_planted_in_a_comment_is_found() -> None:
    _, found = _found(obj(patch(40.0), "MARLOW^EDITH"), "jaw.obj")
    assert (PersonalKind.NAME, "comment") in found


@pytest.mark.parametrize("header", [b"", b"binary stl exported from Some Program 3.1", b"\xff\xfe\x80" * 20])
def test_ordinary_headers_are_quiet(header: bytes) -> None:
    assert _found(stl(patch(40.0), header), "jaw.stl")[1] == set()


def test_the_result_is_kinds_and_places_alone() -> None:
    made, _ = _found(stl(patch(40.0), b"Edith Marlow"), "jaw.stl")
    assert made.result is not None
    assert json.loads(json.dumps(made.result))["found"] == [{"kind": "name", "where": "header"}]


def test_tables_hold_no_texts_and_refused_files_name_the_rule() -> None:
    (made,) = bench(TABLE, "p.csv", Role.MARKERS).run([PERSONAL], {})
    assert made.status is Status.MEASURED
    (lost,) = bench(stl(patch(40.0))[:-700]).run([PERSONAL], {})
    assert (lost.status, lost.because) == (Status.NOT_MEASURED, "file/truncated")

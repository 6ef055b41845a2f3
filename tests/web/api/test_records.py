"""The records of a case over the interface: sent in one request or in parts, amended, replaced, taken out, fetched."""

from __future__ import annotations

import base64
import hashlib
import io
import zipfile
from collections.abc import Iterator

import pytest
from sqlmodel import select

from server.accounts.tables import Organisation
from server.accounts.work import PORTAL, reading, writing
from server.inspection.guessing import guess_one
from server.uploads.tables import Upload
from tests.metrology.readers.mesh_files import corners_of, stl
from tests.metrology.shapes import sphere
from tests.portal.house import House, here, waves
from tests.web.api.program import CASES, NOBODY, Program, refusal

DATA = waves(1, n=8)
CORNERS = [[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 3.0, 0.0]]
SHA = hashlib.sha256(DATA).hexdigest()


def uploads_of(house: House, case: str) -> list[Upload]:
    with reading(house.portal, PORTAL) as work:
        query = select(Upload).where(Upload.case_id == case.rpartition("/")[2])
        return list(work.session.exec(query))


def test_a_file_becomes_a_record(clinic: Program, case: str) -> None:
    answer = clinic.put(case, DATA, role="jaw")
    assert answer.status_code == 201
    record = answer.json()
    assert answer.headers["location"] == f"{case}/records/{record['id']}"
    said = {
        "file_name": "jaw.stl",
        "role": "jaw",
        "unit": "mm",
        "body": None,
        "measuring": "waiting",
        "sha256": SHA,
        "size_bytes": len(DATA),
        "replaces": None,
        "first_round": 1,
    }
    assert {name: record[name] for name in said} == said
    assert clinic.get(f"{case}/records")["records"] == [record]
    assert clinic.get(answer.headers["location"]) == record
    assert clinic.get(case)["records"] == [record]
    assert clinic.house.scratch_files() == []
    assert clinic.house.kept_keys("parts") == []


def test_it_is_fetched_as_it_was_sent(clinic: Program, lab: Program, other: Program, case: str) -> None:
    record = clinic.put(case, DATA, 'a";\u202ejaw.stl', role="jaw").json()
    path = f"{case}/records/{record['id']}/file"
    answer = lab.ask("GET", path)
    assert answer.content == DATA
    assert answer.headers["x-sha-256"] == SHA
    assert answer.headers["content-type"] == "application/octet-stream"
    assert answer.headers["content-disposition"].startswith("attachment; filename*=UTF-8''")
    assert "\u202e" not in record["file_name"]
    assert '"' not in answer.headers["content-disposition"]
    assert refusal(other.ask("GET", path)) == (404, "case-unknown")


def test_the_same_file_again_changes_nothing(clinic: Program, case: str) -> None:
    first, again = (clinic.put(case, DATA, role="jaw") for _ in range(2))
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()
    assert len(clinic.house.records(case.rpartition("/")[2])) == 1
    assert {u.state.value for u in uploads_of(clinic.house, case)} == {"finished"}


def test_the_same_file_again_after_submission_opens_no_round(clinic: Program, case: str) -> None:
    clinic.put(case, DATA, role="jaw")
    clinic.ask("POST", f"{case}/submit")
    assert clinic.put(case, DATA, role="jaw").status_code == 200
    shown = clinic.get(case)
    assert (shown["state"], shown["round"]) == ("with-lab", 1)


def test_the_same_bytes_as_something_else_are_amended(clinic: Program, case: str) -> None:
    clinic.put(case, DATA, role="jaw")
    again = clinic.put(case, DATA, role="tissue")
    assert (again.status_code, again.json()["role"]) == (200, "tissue")
    assert len(clinic.get(f"{case}/records")["records"]) == 1


def test_a_file_of_that_name_is_replaced(clinic: Program, case: str) -> None:
    first = clinic.put(case, DATA, role="bite").json()
    second = clinic.put(case, waves(2, n=8), "JAW.stl").json()
    assert second["replaces"] == first["id"]
    assert (second["role"], second["unit"]) == ("bite", "mm")
    assert [r["id"] for r in clinic.get(f"{case}/records")["records"]] == [second["id"]]


def test_another_record_is_replaced_by_its_id(clinic: Program, case: str) -> None:
    first = clinic.put(case, DATA, role="opposing").json()
    second = clinic.put(case, waves(3, n=8), "again.stl", replaces=first["id"])
    assert (second.status_code, second.json()["role"]) == (201, "opposing")
    assert [r["file_name"] for r in clinic.get(f"{case}/records")["records"]] == ["again.stl"]


def test_a_record_of_another_case_is_not_replaced(clinic: Program, case: str) -> None:
    elsewhere = clinic.put(clinic.open(), DATA, role="jaw").json()
    answer = clinic.put(case, waves(3, n=8), "again.stl", replaces=elsewhere["id"])
    assert refusal(answer) == (404, "case-unknown")
    assert uploads_of(clinic.house, case) == []


def test_a_replaced_record_stays_in_its_round(clinic: Program, case: str) -> None:
    first = clinic.put(case, DATA, role="jaw").json()
    clinic.ask("POST", f"{case}/submit")
    second = clinic.put(case, waves(2, n=8)).json()
    assert (second["first_round"], second["replaces"]) == (2, first["id"])
    assert clinic.get(f"{case}/records/{first['id']}")["sha256"] == SHA
    assert clinic.get(case)["state"] == "with-clinic"


@pytest.mark.parametrize(
    ("name", "data", "said", "expected"),
    [
        ("jaw.exe", DATA, {}, (415, "file-type")),
        ("jaw", DATA, {}, (415, "file-type")),
        ("jaw.stl", b"", {}, (422, "empty-file")),
        ("jaw.stl", DATA, {"sha256": "0" * 64}, (460, "checksum")),
        ("jaw.stl", DATA, {"sha256": "short"}, (400, "upload-said")),
        ("jaw.stl", DATA, {"role": "nose"}, (422, "request-invalid")),
        ("jaw.stl", DATA, {"unit": "ell"}, (422, "request-invalid")),
        ("jaw.stl", DATA, {"body": "a\nb"}, (400, "upload-said")),
        ("jaw.stl", DATA, {"replaces": NOBODY}, (404, "case-unknown")),
        ("jaw.stl", b"x" * 2_000_001, {}, (413, "too-large")),
        ("all.zip", DATA, {}, (422, "single-only")),
    ],
)
def test_files_that_are_not_taken(
    clinic: Program, case: str, name: str, data: bytes, said: dict[str, str], expected: tuple[int, str]
) -> None:
    assert refusal(clinic.put(case, data, name, **said)) == expected
    assert clinic.get(f"{case}/records")["records"] == []
    assert uploads_of(clinic.house, case) == []
    assert clinic.house.scratch_files() == []
    assert clinic.house.kept_keys("parts") == []


def test_a_wrong_checksum_is_found_though_the_bytes_are_known(clinic: Program, case: str) -> None:
    clinic.put(case, DATA, role="jaw")
    assert refusal(clinic.put(case, DATA, sha256="0" * 64)) == (460, "checksum")
    assert clinic.put(case, DATA, sha256=SHA.upper()).status_code == 200


def test_without_its_length_nothing_is_taken(clinic: Program, case: str) -> None:
    def pieces() -> Iterator[bytes]:
        yield DATA

    answer = clinic.ask("PUT", f"{case}/files/jaw.stl", content=pieces())
    assert refusal(answer) == (411, "length-missing")


@pytest.mark.parametrize(
    ("length", "expected"), [(len(DATA) + 1, (400, "upload-cut")), (10, (413, "too-large"))]
)
def test_a_lying_length_leaves_nothing(
    clinic: Program, case: str, length: int, expected: tuple[int, str]
) -> None:
    answer = clinic.ask("PUT", f"{case}/files/jaw.stl", content=DATA, headers={"Content-Length": str(length)})
    assert refusal(answer) == expected
    assert uploads_of(clinic.house, case) == []
    assert clinic.get(f"{case}/records")["records"] == []
    assert clinic.house.scratch_files() == []


def test_only_the_clinic_sends(clinic: Program, lab: Program, other: Program, case: str) -> None:
    assert refusal(lab.put(case, DATA)) == (403, "not-yours")
    theirs, none = other.put(case, DATA), other.put(f"{CASES}/{NOBODY}", DATA)
    assert refusal(theirs) == refusal(none) == (404, "case-unknown")


def test_the_quota_holds(clinic: Program, case: str) -> None:
    clinic_id = clinic.get(case)["clinic_id"]
    with writing(clinic.house.portal, PORTAL) as work:
        work.session.get_one(Organisation, clinic_id).quota_bytes = 1
    try:
        assert refusal(clinic.put(case, DATA)) == (413, "quota")
    finally:
        with writing(clinic.house.portal, PORTAL) as work:
            work.session.get_one(Organisation, clinic_id).quota_bytes = None


def test_a_record_is_said_to_be_something(clinic: Program, lab: Program, other: Program, case: str) -> None:
    record = clinic.put(case, DATA, "scan_7.stl").json()
    assert (record["role"], record["measuring"]) == (None, "needs-role")
    path = f"{case}/records/{record['id']}"
    changed = clinic.ask("PATCH", path, json={"role": "bite", "unit": "cm"}).json()
    assert (changed["role"], changed["unit"], changed["measuring"]) == ("bite", "cm", "waiting")
    assert clinic.ask("PATCH", path, json={}).json() == changed
    assert clinic.ask("PATCH", path, json={"body": "rb-45"}).json()["body"] == "rb-45"
    assert clinic.ask("PATCH", path, json={"body": ""}).json()["body"] is None
    spots = {"body": "rb-60", "scan_mm": CORNERS, "body_mm": CORNERS}
    assert clinic.ask("PATCH", path, json={"spots": [spots]}).json()["spots"] == [spots]
    assert clinic.ask("PATCH", path, json={}).json()["spots"] == [spots]
    assert clinic.ask("PATCH", path, json={"spots": []}).json()["spots"] is None
    on_a_line = {**spots, "scan_mm": [[0.0, 0.0, float(k)] for k in range(3)]}
    assert refusal(clinic.ask("PATCH", path, json={"spots": [on_a_line]})) == (422, "request-invalid")
    assert refusal(clinic.ask("PATCH", path, json={"role": "nose"})) == (422, "request-invalid")
    assert refusal(clinic.ask("PATCH", path, json={"sha256": "x"})) == (422, "request-invalid")
    assert refusal(lab.ask("PATCH", path, json={})) == (403, "not-yours")
    assert refusal(lab.ask("PATCH", path, json={"role": "jaw"})) == (403, "not-yours")
    assert refusal(other.ask("PATCH", path, json={"role": "jaw"})) == (404, "case-unknown")


def test_spots_announced_in_the_form_come_with_the_file(clinic: Program) -> None:
    spots = {"body": "rb-60", "scan_mm": CORNERS, "body_mm": CORNERS}
    announced = [{"role": "jaw", "file": "jaw.stl", "unit": "mm", "spots": [spots]}]
    case = clinic.open(records=announced)
    first = clinic.put(case, DATA, "jaw.stl").json()
    assert (first["role"], first["spots"]) == ("jaw", [spots])
    assert clinic.put(case, waves(9, n=8), "jaw.stl").json()["spots"] is None


def test_a_role_filled_in_is_marked_until_it_is_said(house: House, clinic: Program, case: str) -> None:
    closed = sphere(20.0, 3)
    record = clinic.put(case, stl(corners_of(closed.vertices, closed.faces)), "scan_7.stl").json()
    path = f"{case}/records/{record['id']}"
    assert (record["role"], record["likely_roles"]) == (None, None)
    guess_one(house.portal, here, record["id"])
    seen = clinic.get(path)
    assert (seen["role"], seen["role_is_guessed"], seen["likely_roles"]) == ("denture", True, ["denture"])
    assert clinic.ask("PATCH", path, json={}).json()["role_is_guessed"] is True
    said = clinic.ask("PATCH", path, json={"role": "denture"}).json()
    assert (said["role"], said["role_is_guessed"]) == ("denture", False)


def test_a_submitted_record_is_amended_in_the_next_round(clinic: Program, case: str) -> None:
    record = clinic.put(case, DATA, role="jaw").json()
    clinic.ask("POST", f"{case}/submit")
    changed = clinic.ask("PATCH", f"{case}/records/{record['id']}", json={"role": "tissue"}).json()
    assert changed["id"] != record["id"]
    assert changed["first_round"] == 2
    assert clinic.get(f"{case}/records/{record['id']}")["role"] == "jaw"


def test_a_record_is_taken_out(clinic: Program, lab: Program, other: Program, case: str) -> None:
    path = f"{case}/records/{clinic.put(case, DATA, role='jaw').json()['id']}"
    assert refusal(lab.ask("DELETE", path)) == (403, "not-yours")
    assert refusal(other.ask("DELETE", path)) == (404, "case-unknown")
    assert clinic.ask("DELETE", path).status_code == 204
    assert clinic.get(f"{case}/records")["records"] == []
    assert refusal(clinic.ask("DELETE", path)) == (404, "case-unknown")


@pytest.mark.parametrize(("method", "path"), [("GET", ""), ("GET", "/file"), ("PATCH", ""), ("DELETE", "")])
def test_a_record_is_found_in_its_own_case_only(clinic: Program, case: str, method: str, path: str) -> None:
    record = clinic.put(clinic.open(), DATA, role="jaw").json()
    answer = clinic.ask(
        method, f"{case}/records/{record['id']}{path}", json={} if method == "PATCH" else None
    )
    assert refusal(answer) == (404, "case-unknown")


def test_a_bundle_sent_in_parts_becomes_several_records(clinic: Program, case: str) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as bundle:
        bundle.writestr("jaw.stl", DATA)
        bundle.writestr("opposing.stl", waves(5, n=8))
    data = buffer.getvalue()
    said = {"filename": "set.zip", "case": case.rpartition("/")[2]}
    pairs = ",".join(f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in said.items())
    tus = {"Tus-Resumable": "1.0.0"}
    begun = clinic.ask(
        "POST",
        "/api/v1/uploads",
        headers={**tus, "Upload-Length": str(len(data)), "Upload-Metadata": pairs},
    )
    kind = {"Content-Type": "application/offset+octet-stream"}
    half = len(data) // 2
    for start, end in ((0, half), (half, len(data))):
        headers = {**tus, **kind, "Upload-Offset": str(start)}
        sent = clinic.ask("PATCH", begun.headers["location"], content=data[start:end], headers=headers)
        assert (sent.status_code, sent.headers["upload-offset"]) == (204, str(end))
    records = clinic.get(f"{case}/records")["records"]
    assert {(r["file_name"], r["role"]) for r in records} == {
        ("jaw.stl", "jaw"),
        ("opposing.stl", "opposing"),
    }

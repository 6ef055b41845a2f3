"""Cases over the interface: opening, listing, the form, turns."""

from __future__ import annotations

import base64
import json
import re

import pytest

from server.accounts.tokens import add_token
from server.accounts.work import reading, writing
from server.cases.tables import Case
from tests.portal.house import CLINIC, House, waves
from tests.web.api.program import CASES, FORM, NOBODY, Program, fields, refusal


def form_row(house: House, case: str) -> dict[str, object]:
    with reading(house.portal, house.actors[CLINIC]) as work:
        return dict(work.session.get_one(Case, case.rpartition("/")[2]).form)


def test_a_case_is_opened_with_its_form(clinic: Program) -> None:
    answer = clinic.ask("POST", CASES, json=FORM)
    assert answer.status_code == 201
    shown = answer.json()
    assert answer.headers["location"] == f"{CASES}/{shown['id']}"
    assert re.fullmatch("[0-9a-z]{24}", shown["id"])
    assert (shown["state"], shown["round"], shown["verdict"], shown["is_judged"]) == (
        "collecting",
        1,
        None,
        False,
    )
    assert shown["clinic"] == "Weir Lane Dental"
    assert shown["needed_by"] == "2031-05-04T15:30:00Z"
    assert shown["form"]["sites"][0]["tooth"] == "36"
    assert shown["records"] == []
    assert [r["number"] for r in shown["rounds"]] == [1]


def test_a_half_filled_form_is_taken(clinic: Program) -> None:
    answer = clinic.ask("POST", CASES, json={"schema": "archproof.case/1"})
    assert answer.status_code == 201
    assert answer.json()["patient_code"] == ""


def test_every_wrong_field_is_named(clinic: Program) -> None:
    wrong = {**FORM, "colour": "A2", "working_arch": "middle", "sites": [{"tooth": 34}]}
    answer = clinic.ask("POST", CASES, json=wrong)
    assert refusal(answer) == (422, "form-unusable")
    assert fields(answer) == ["working_arch", "sites.0.tooth", "colour"]


@pytest.mark.parametrize(
    "content", [b"", b"[]", b"null", b"{", b"\xff\xfe", b'{"schema": 1e400}', b"[" * 50_000, b"{}"]
)
def test_what_is_no_form_is_refused(clinic: Program, content: bytes) -> None:
    answer = clinic.ask("POST", CASES, content=content, headers={"Content-Type": "application/json"})
    assert refusal(answer) == (422, "form-unusable")


def test_nobody_says_for_which_clinic(clinic: Program, other: Program) -> None:
    theirs = other.get(other.open())
    answer = clinic.ask("POST", CASES, json={**FORM, "clinic_id": theirs["clinic_id"]})
    assert fields(answer) == ["clinic_id"]


def test_the_lab_opens_no_case(lab: Program) -> None:
    assert refusal(lab.ask("POST", CASES, json=FORM)) == (403, "not-yours")


def test_a_repeated_request_opens_one_case(clinic: Program, other: Program) -> None:
    key = {"Idempotency-Key": "a-key-of-ours"}
    first, again = (clinic.ask("POST", CASES, json=FORM, headers=key) for _ in range(2))
    assert first.json()["id"] == again.json()["id"]
    assert first.status_code == again.status_code == 201
    changed = clinic.ask("POST", CASES, json={**FORM, "patient_code": "R-2"}, headers=key)
    assert refusal(changed) == (422, "key-reused")
    assert other.ask("POST", CASES, json=FORM, headers=key).json()["id"] != first.json()["id"]
    long = clinic.ask("POST", CASES, json=FORM, headers={"Idempotency-Key": "k" * 201})
    assert refusal(long) == (422, "key-too-long")


def test_more_than_a_form_may_hold(clinic: Program) -> None:
    limit = clinic.house.portal.settings.max_body_bytes
    answer = clinic.ask("POST", CASES, json={**FORM, "notes": "x" * (limit + 1)})
    assert refusal(answer) == (413, "body-too-large")


def test_lists_hold_ones_own_cases(clinic: Program, other: Program, lab: Program) -> None:
    mine, theirs = clinic.open(patient_code="MINE-1"), other.open(patient_code="THEIRS-1")
    clinic_id = clinic.get(mine)["clinic_id"]
    asked = {"text": "mine", "limit": 200}
    assert [c["patient_code"] for c in clinic.get(CASES, params=asked)["cases"]] == ["MINE-1"]
    assert clinic.get(CASES, params={"text": "theirs"})["cases"] == []
    assert other.get(CASES, params={"text": "mine", "clinic": clinic_id})["cases"] == []
    both = lab.get(CASES, params={"limit": 200})["cases"]
    assert {mine.rpartition("/")[2], theirs.rpartition("/")[2]} <= {c["id"] for c in both}
    one = lab.get(CASES, params={"clinic": clinic_id, "text": "1", "limit": 200})["cases"]
    assert {c["clinic_id"] for c in one} == {clinic_id}


def test_a_list_is_walked_to_its_end(lab: Program, clinic: Program) -> None:
    codes = {f"WALK-{n}" for n in range(7)}
    for n, code in enumerate(sorted(codes)):
        clinic.open(patient_code=code, needed_by=f"2031-06-0{n % 3 + 1}T08:00:00+00:00")
    seen: list[tuple[str, str]] = []
    cursor = ""
    while True:
        page = lab.get(CASES, params={"text": "walk", "limit": 3, "cursor": cursor})
        assert len(page["cases"]) <= 3
        seen += [(c["needed_by"], c["patient_code"]) for c in page["cases"]]
        cursor = page["next_cursor"]
        if cursor is None:
            break
    assert {code for _, code in seen} == codes
    assert len(seen) == 7
    assert [at for at, _ in seen] == sorted(at for at, _ in seen)


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"state": "lost"}, "state"),
        ({"verdict": "fine"}, "verdict"),
        ({"limit": "0"}, "limit"),
        ({"limit": "201"}, "limit"),
        ({"limit": "many"}, "limit"),
        ({"text": "x" * 201}, "text"),
    ],
)
def test_filters_that_mean_nothing(clinic: Program, asked: dict[str, str], field: str) -> None:
    answer = clinic.ask("GET", CASES, params=asked)
    assert refusal(answer) == (422, "request-invalid")
    assert fields(answer) == [field]


@pytest.mark.parametrize(
    "inner",
    [
        "",
        "[]",
        '["2031-05-04T15:30:00+00:00", 1]',
        '["2031-05-04T15:30:00+00:00", [], "a"]',
        '["2031-05-04T15:30:00+00:00", 1, 7]',
        '["9999-12-31T23:59:59-14:00", 1, "a"]',
        '["2031-05-04T15:30:00+00:00", 1e30, "a"]',
        '["2031-05-04T15:30:00+00:00", 100000000000000000000000, "a"]',
        '["2031-05-04T15:30:00+00:00", 1, "a\\u0000"]',
        "[" * 5000,
        "not json",
    ],
)
def test_a_cursor_of_ones_own_making(clinic: Program, inner: str) -> None:
    cursor = base64.urlsafe_b64encode(inner.encode()).decode()[:400] or "!"
    assert refusal(clinic.ask("GET", CASES, params={"cursor": cursor})) == (422, "cursor")


@pytest.mark.parametrize("path", ["", "/form", "/records", "/report", "/findings", "/messages", "/release"])
def test_anothers_case_reads_like_one_that_never_was(
    clinic: Program, other: Program, case: str, path: str
) -> None:
    theirs, none = other.ask("GET", case + path), other.ask("GET", f"{CASES}/{NOBODY}{path}")
    assert refusal(theirs) == refusal(none) == (404, "case-unknown")
    one, two = (dict(a.json()["error"], request_id="") for a in (theirs, none))
    assert one == two


def test_the_form_is_replaced_and_the_rest_follows(clinic: Program, lab: Program, case: str) -> None:
    answer = clinic.ask("PUT", f"{case}/form", json={**FORM, "patient_code": "R-9", "needed_by": None})
    assert answer.status_code == 200
    assert answer.json()["patient_code"] == "R-9"
    shown = lab.get(case)
    assert (shown["patient_code"], shown["needed_by"]) == ("R-9", None)
    assert clinic.get(f"{case}/form") == shown["form"]


def test_fields_of_the_form_change_alone(clinic: Program, case: str) -> None:
    change = {"vertical": {"seated_mm": 63.0}, "planned_teeth": None, "sites": [{"tooth": "34"}]}
    answer = clinic.ask("PATCH", f"{case}/form", json=change)
    form = answer.json()
    assert form["vertical"] == {**FORM["vertical"], "seated_mm": 63.0, "planned_change_mm": 0.0}
    assert form["planned_teeth"] is None
    assert [s["tooth"] for s in form["sites"]] == ["34"]
    assert form["patient_code"] == FORM["patient_code"]


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"[]", "merge-unusable"),
        (b"no", "merge-unusable"),
        (b"\xff", "merge-unusable"),
        (b'{"colour": 1}', "form-unusable"),
        (b'{"sites": {"0": 1}}', "form-unusable"),
        (b'{"vertical": ' * 300 + b"1" + b"}" * 300, "form-unusable"),
        (b'{"a": ' * 20_000 + b"1" + b"}" * 20_000, "merge-unusable"),
        (b'{"schema": null}', "form-unusable"),
    ],
)
def test_a_change_that_makes_no_form(clinic: Program, case: str, content: bytes, code: str) -> None:
    before = form_row(clinic.house, case)
    assert refusal(clinic.ask("PATCH", f"{case}/form", content=content)) == (422, code)
    assert form_row(clinic.house, case) == before


def test_nobody_writes_over_a_change_unseen(clinic: Program, case: str) -> None:
    etag = clinic.ask("GET", f"{case}/form").headers["etag"]
    assert clinic.ask("GET", case).headers["etag"] == etag
    seen = {"If-Match": etag}
    first = clinic.ask("PATCH", f"{case}/form", json={"shade": "A2"}, headers=seen)
    assert first.status_code == 200
    late = clinic.ask("PATCH", f"{case}/form", json={"shade": "B1"}, headers=seen)
    assert refusal(late) == (412, "form-changed")
    assert refusal(clinic.ask("PUT", f"{case}/form", json=FORM, headers=seen)) == (412, "form-changed")
    assert clinic.get(f"{case}/form")["shade"] == "A2"
    both = {"If-Match": f'"other", {first.headers["etag"]}'}
    assert clinic.ask("PUT", f"{case}/form", json=FORM, headers=both).status_code == 200
    assert clinic.ask("PUT", f"{case}/form", json=FORM, headers={"If-Match": "*"}).status_code == 200


@pytest.mark.parametrize(("method", "path"), [("PUT", "/form"), ("PATCH", "/form")])
def test_only_the_clinic_changes_its_form(
    lab: Program, other: Program, case: str, method: str, path: str
) -> None:
    assert refusal(lab.ask(method, case + path, json=FORM)) == (403, "not-yours")
    assert refusal(other.ask(method, case + path, json=FORM)) == (404, "case-unknown")


def test_turns(clinic: Program, lab: Program, other: Program, case: str) -> None:
    assert refusal(clinic.ask("POST", f"{case}/submit")) == (422, "nothing-to-submit")
    clinic.put(case, waves(1, n=8), "scan_0001.stl")
    nameless = clinic.ask("POST", f"{case}/submit")
    assert refusal(nameless) == (422, "role-missing")
    assert "scan_0001.stl" in nameless.json()["error"]["says"]
    (record,) = clinic.get(f"{case}/records")["records"]
    clinic.ask("PATCH", f"{case}/records/{record['id']}", json={"role": "jaw"})
    assert refusal(lab.ask("POST", f"{case}/submit")) == (403, "not-yours")
    assert refusal(other.ask("POST", f"{case}/submit")) == (404, "case-unknown")
    sent = clinic.ask("POST", f"{case}/submit")
    assert (sent.status_code, sent.json()["state"]) == (200, "with-lab")
    assert sent.json()["submitted_at"] is not None
    assert refusal(clinic.ask("POST", f"{case}/submit")) == (409, "wrong-turn")
    assert refusal(lab.ask("POST", f"{case}/withdraw")) == (403, "not-yours")
    gone = clinic.ask("POST", f"{case}/withdraw")
    assert (gone.status_code, gone.json()["state"]) == (200, "withdrawn")
    for method, path, sent_json in (
        ("POST", "/withdraw", None),
        ("POST", "/submit", None),
        ("PATCH", "/form", {"shade": "A2"}),
    ):
        assert refusal(clinic.ask(method, case + path, json=sent_json)) == (409, "wrong-turn"), path
    assert refusal(clinic.put(case, waves(2, n=8))) == (409, "wrong-turn")


def test_a_submitted_form_changes_into_the_next_round(clinic: Program, case: str) -> None:
    clinic.put(case, waves(3, n=8), role="jaw")
    clinic.ask("POST", f"{case}/submit")
    clinic.ask("PATCH", f"{case}/form", json={"shade": "A2"})
    shown = clinic.get(case)
    assert (shown["state"], shown["round"]) == ("with-clinic", 2)
    assert [r["submitted_at"] is None for r in shown["rounds"]] == [False, True]


@pytest.mark.parametrize("given", ["", "Bearer", "Bearer ", "Bearer nonsense", "Basic YTpi", "Bearer a b"])
def test_without_a_token_that_holds(clinic: Program, given: str) -> None:
    answer = clinic.ask("GET", CASES, headers={"Authorization": given})
    assert refusal(answer) == (401, "not-signed-in")
    assert answer.headers["www-authenticate"] == "Bearer"


def test_a_token_for_reading_writes_nothing(house: House, clinic: Program, case: str) -> None:
    with writing(house.portal, house.actors[CLINIC]) as work:
        secret = add_token(work, "Reader", days=1, may_write=False)[1]
    reader = {"Authorization": f"Bearer {secret}"}
    assert clinic.ask("GET", case, headers=reader).status_code == 200
    before = form_row(house, case)
    for method, path in (
        ("POST", CASES),
        ("PATCH", f"{case}/form"),
        ("PUT", f"{case}/files/jaw.stl"),
        ("POST", f"{case}/messages"),
        ("POST", f"{case}/withdraw"),
        ("POST", "/api/v1/uploads"),
    ):
        answer = clinic.ask(method, path, content=json.dumps({"text": "x"}), headers=reader)
        assert refusal(answer) == (403, "not-yours"), path
    assert form_row(house, case) == before
    assert clinic.get(case)["state"] == "collecting"


def test_what_is_not_there(clinic: Program) -> None:
    assert refusal(clinic.ask("GET", "/api/v1/nothing")) == (404, "http-404")
    assert refusal(clinic.ask("DELETE", CASES)) == (405, "http-405")

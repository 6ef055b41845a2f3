"""Verdict, findings, waivers, return, release and messages over the interface, on measured records."""

from __future__ import annotations

from typing import Any

import pytest

from server.accounts.work import PORTAL, reading
from server.cases.lookup import case_view
from server.inspection.judgements import finding_key, report_of
from server.inspection.report import Report
from tests.portal.house import waves
from tests.web.api.program import CASES, Program, refusal

REASON = "The hole lies far from every implant."


@pytest.fixture
def sent(clinic: Program, case: str) -> str:
    """A case with one measured record that lies with the lab; much is missing in it."""
    clinic.put(case, waves(1, n=10), role="jaw")
    clinic.ask("POST", f"{case}/submit")
    clinic.house.work_off()
    return case


def open_findings(lab: Program, case: str) -> list[dict[str, Any]]:
    found = lab.get(f"{case}/findings")["findings"]
    return [f for f in found if f["level"] in ("look", "return") and f["waived"] is None]


def test_before_the_first_judgement_there_is_no_report(clinic: Program, case: str) -> None:
    for path in ("/report", "/findings"):
        assert refusal(clinic.ask("GET", case + path)) == (404, "not-judged")
    clinic.put(case, waves(1, n=10), role="jaw")
    assert clinic.get(case)["is_judged"] is False
    clinic.house.work_off()
    assert clinic.get(case)["is_judged"] is True
    assert clinic.get(f"{case}/report")["verdict"] == "return"


def test_a_round_that_only_lacks_something_is_judged_without_a_verdict(
    clinic: Program, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Report, "is_only_incomplete", property(lambda _: True))
    clinic.put(case, waves(1, n=10), role="jaw")
    clinic.house.work_off()
    shown = clinic.get(case)
    assert (shown["verdict"], shown["is_judged"]) == (None, True)
    clinic.ask("POST", f"{case}/submit")
    assert clinic.get(case)["is_judged"] is False
    clinic.house.work_off()
    shown = clinic.get(case)
    assert (shown["verdict"], shown["is_judged"]) == ("return", True)


def test_the_report_is_what_the_command_writes(clinic: Program, sent: str) -> None:
    shown = clinic.get(f"{sent}/report")
    assert shown["schema"] == "archproof.report/1"
    assert Report.model_validate(shown).model_dump(mode="json") == shown
    case = clinic.get(sent)
    assert (case["verdict"], case["says"]) == (shown["verdict"], shown["says"])
    assert "bodies" in shown["measures"]


def test_is_judged_follows_the_form_and_the_records(clinic: Program, case: str) -> None:
    record = clinic.put(case, waves(1, n=10), role="jaw").json()
    clinic.house.work_off()
    for change in (
        lambda: clinic.ask("PATCH", f"{case}/form", json={"shade": "A2"}),
        lambda: clinic.ask("PATCH", f"{case}/records/{record['id']}", json={"unit": "cm"}),
        lambda: clinic.put(case, waves(2, n=10)),
        lambda: clinic.put(case, waves(3, n=10), "what.stl"),
    ):
        assert change().is_success
        assert clinic.get(case)["is_judged"] is False
        clinic.house.work_off()
        nameless = any(r["measuring"] == "needs-role" for r in clinic.get(case)["records"])
        assert clinic.get(case)["is_judged"] is not nameless


def test_a_finding_is_waived_by_its_key(clinic: Program, lab: Program, sent: str) -> None:
    before = open_findings(lab, sent)
    look = next(f for f in before if f["level"] == "look")
    answer = lab.ask("POST", f"{sent}/waivers", json={"finding": look["key"], "reason": REASON})
    assert answer.status_code == 201
    assert answer.json() == {
        "reason": REASON,
        "by": "Imke Sorel",
        "has_consent": False,
        "at": answer.json()["at"],
    }
    after = open_findings(lab, sent)
    assert [f["key"] for f in after] == [f["key"] for f in before if f["key"] != look["key"]]
    counts = (sum(f["level"] == level for f in after) for level in ("return", "look"))
    shown = clinic.get(sent)
    assert (shown["open_returns"], shown["open_looks"]) == tuple(counts)
    again = lab.ask("POST", f"{sent}/waivers", json={"finding": look["key"], "reason": REASON})
    assert refusal(again) == (404, "finding-unknown")


def test_the_keys_are_those_of_the_pages(lab: Program, clinic: Program, sent: str) -> None:
    with reading(clinic.house.portal, PORTAL) as work:
        found = report_of(work, case_view(work, sent.rpartition("/")[2]).round)
    assert found is not None
    shown = lab.get(f"{sent}/findings")
    assert [f["key"] for f in shown["findings"]] == [finding_key(f, found) for f in found.findings]
    assert shown["round"] == 1


def test_what_is_no_waiver(lab: Program, clinic: Program, other: Program, sent: str) -> None:
    grave = next(f for f in open_findings(lab, sent) if f["level"] == "return")
    given = {"finding": grave["key"], "reason": REASON}
    path = f"{sent}/waivers"
    assert refusal(lab.ask("POST", path, json=given)) == (422, "consent-missing")
    assert refusal(lab.ask("POST", path, json={**given, "reason": "short"})) == (422, "reason-missing")
    assert refusal(lab.ask("POST", path, json={**given, "finding": "x"})) == (404, "finding-unknown")
    assert refusal(lab.ask("POST", path, json={**given, "by": "me"})) == (422, "request-invalid")
    assert refusal(lab.ask("POST", path, json={"finding": "x"})) == (422, "request-invalid")
    assert refusal(clinic.ask("POST", path, json=given)) == (403, "not-yours")
    assert refusal(other.ask("POST", path, json=given)) == (404, "case-unknown")
    assert lab.ask("POST", path, json={**given, "consent": True}).status_code == 201


def test_a_case_is_returned_with_words(clinic: Program, lab: Program, other: Program, sent: str) -> None:
    words = {"text": "Please scan the jaw again."}
    path = f"{sent}/return"
    assert refusal(clinic.ask("POST", path, json=words)) == (403, "not-yours")
    assert refusal(other.ask("POST", path, json=words)) == (404, "case-unknown")
    assert refusal(lab.ask("POST", path, json={"text": "  "})) == (422, "message")
    assert clinic.get(sent)["state"] == "with-lab"
    answer = lab.ask("POST", path, json=words)
    assert (answer.status_code, answer.json()["state"]) == (200, "with-clinic")
    (message,) = clinic.get(f"{sent}/messages")["messages"]
    assert (message["kind"], message["from_lab"], message["text"]) == ("return", True, words["text"])
    assert refusal(lab.ask("POST", path, json=words)) == (409, "wrong-turn")
    assert refusal(lab.ask("POST", f"{sent}/waivers", json={"finding": "x", "reason": REASON})) == (
        409,
        "wrong-turn",
    )


def test_a_case_is_released_once_nothing_stands_against_it(
    clinic: Program, lab: Program, other: Program, sent: str
) -> None:
    path = f"{sent}/release"
    assert refusal(clinic.ask("GET", path)) == (404, "not-released")
    assert refusal(clinic.ask("POST", path)) == (403, "not-yours")
    assert refusal(other.ask("POST", path)) == (404, "case-unknown")
    assert refusal(lab.ask("POST", path)) == (409, "stands-against")
    while left := open_findings(lab, sent):
        given = {"finding": left[0]["key"], "reason": REASON, "consent": True}
        assert lab.ask("POST", f"{sent}/waivers", json=given).status_code == 201
    answer = lab.ask("POST", path)
    assert answer.status_code == 200
    manifest = answer.json()
    assert (manifest["schema"], manifest["round"]) == ("archproof.release/1", 1)
    assert {a["reason"] for a in manifest["accepted"]} == {REASON}
    assert clinic.get(path) == manifest
    assert (clinic.get(sent)["state"], clinic.get(sent)["is_judged"]) == ("released", True)
    assert refusal(lab.ask("POST", path)) == (409, "wrong-turn")
    assert refusal(clinic.ask("POST", f"{sent}/withdraw")) == (409, "wrong-turn")


def test_a_case_that_is_not_the_labs_yet(lab: Program, case: str) -> None:
    for path, sent in (("return", {"text": "Back."}), ("release", None)):
        assert refusal(lab.ask("POST", f"{case}/{path}", json=sent)) == (409, "wrong-turn")


def test_the_thread(clinic: Program, lab: Program, other: Program, case: str) -> None:
    path = f"{case}/messages"
    first = clinic.ask("POST", path, json={"text": " The bite was hard to get. "})
    assert first.status_code == 201
    assert (first.json()["text"], first.json()["kind"], first.json()["round"]) == (
        "The bite was hard to get.",
        "note",
        1,
    )
    clinic.house.clock.advance(60)
    lab.ask("POST", path, json={"text": "<b>Thank you.</b>"})
    thread = clinic.get(path)["messages"]
    assert [(m["from_name"], m["from_lab"]) for m in thread] == [("Ada Brandt", False), ("Imke Sorel", True)]
    assert thread[1]["text"] == "<b>Thank you.</b>"
    assert refusal(other.ask("POST", path, json={"text": "x"})) == (404, "case-unknown")
    for wrong, expected in (
        ({"text": ""}, "message"),
        ({"text": "x" * 4001}, "message"),
        ({"text": 5}, "request-invalid"),
        ({}, "request-invalid"),
        ({"text": "x", "from_lab": True}, "request-invalid"),
    ):
        assert refusal(clinic.ask("POST", path, json=wrong)) == (422, expected)
    broken = clinic.ask("POST", path, content=b"{", headers={"Content-Type": "application/json"})
    assert refusal(broken) == (422, "request-invalid")
    assert len(clinic.get(path)["messages"]) == 2
    assert refusal(clinic.ask("GET", f"{CASES}/{'0' * 24}/messages")) == (404, "case-unknown")

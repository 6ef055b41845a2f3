"""A clinic's program and a lab's, from the first request to the release, against a running portal with its real jobs: an
invented mouth with a jaw scan that was cut off on its way out of the scanner."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest

from seed_data.demo import load_scenario
from tests.portal.house import CLINIC, LAB, OTHER
from tests.portal.running import Running, add_bodies_to, open_running

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the portal is watched through /proc"),
]
CASES = "/api/v1/cases"
PATIENCE_S = 420.0
(MOUTH,) = (case for case in load_scenario().cases if case.key == "plover")
ROUND = MOUTH.rounds[-1]
FORM: dict[str, Any] = ROUND.form(datetime.now(UTC)).model_dump(mode="json", exclude_none=True) | {
    "records": []
}
FILES = {record.file_name: record for record in ROUND.records}


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("portal")
    made = open_running(folder, measuring_processes="2")
    add_bodies_to(made, folder)
    made.start()
    yield made
    made.close()


@pytest.fixture
def programs(running: Running) -> Iterator[dict[str, httpx.Client]]:
    made = {
        who: httpx.Client(
            base_url=running.url, headers={"Authorization": f"Bearer {running.tokens[who]}"}, timeout=120
        )
        for who in (CLINIC, OTHER, LAB)
    }
    yield made
    for client in made.values():
        client.close()


def judged(program: httpx.Client, case: str) -> dict[str, Any]:
    """The case once its verdict rests on what it holds."""
    begun = time.monotonic()
    while True:
        shown: dict[str, Any] = program.get(case).raise_for_status().json()
        if shown["is_judged"]:
            return shown
        assert time.monotonic() - begun < PATIENCE_S, shown
        time.sleep(0.5)


def grave(program: httpx.Client, case: str) -> list[dict[str, Any]]:
    found = program.get(f"{case}/findings").raise_for_status().json()["findings"]
    return [f for f in found if f["level"] in ("look", "return") and f["waived"] is None]


def put(program: httpx.Client, case: str, name: str, data: bytes) -> httpx.Response:
    record = FILES[name]
    said = {"role": record.role.value, "unit": record.unit.value, "body": record.body}
    asked = {key: value for key, value in said.items() if value}
    return program.put(f"{case}/files/{name}", content=data, params=asked)


def test_from_the_first_request_to_the_release(programs: dict[str, httpx.Client]) -> None:
    clinic, other, lab = programs[CLINIC], programs[OTHER], programs[LAB]
    opened = clinic.post(CASES, json=FORM, headers={"Idempotency-Key": "chair-2"})
    assert opened.status_code == 201, opened.text
    case = opened.headers["location"]
    for name, record in FILES.items():
        data = record.load()
        sent = put(clinic, case, name, data[: len(data) // 2 + 17] if name == "jaw.stl" else data)
        assert sent.status_code == 201, sent.text

    shown = judged(clinic, case)
    assert shown["verdict"] == "return"
    assert "file/truncated" in {f["rule"] for f in grave(clinic, case)}
    assert clinic.post(f"{case}/submit").json()["state"] == "with-lab"
    (line,) = lab.get(CASES, params={"state": "with-lab"}).json()["cases"]
    assert line["id"] == shown["id"]
    assert other.get(CASES).json()["cases"] == []
    assert other.get(f"{case}/report").status_code == 404

    assert judged(lab, case)["verdict"] == "return"
    assert lab.post(f"{case}/release").json()["error"]["code"] == "stands-against"
    words = "The jaw file ends in the middle. Please export it again."
    assert lab.post(f"{case}/return", json={"text": words}).json()["state"] == "with-clinic"

    (message,) = clinic.get(f"{case}/messages").json()["messages"]
    assert (message["kind"], message["text"]) == ("return", words)
    (reason,) = [f for f in grave(clinic, case) if f["rule"] == "file/truncated"]
    assert reason["records"] == ["jaw.stl"]
    assert reason["remedy"]
    whole = put(clinic, case, "jaw.stl", FILES["jaw.stl"].load())
    assert (whole.status_code, whole.json()["first_round"]) == (201, 2)

    shown = judged(clinic, case)
    assert (shown["round"], shown["state"]) == (2, "with-clinic")
    assert (shown["verdict"], grave(clinic, case)) == ("clear", [])
    assert clinic.post(f"{case}/submit").status_code == 200
    report = lab.get(f"{case}/report").raise_for_status().json()
    assert (report["schema"], report["verdict"]) == ("archproof.report/1", "clear")
    assert report["not_measured"]
    assert judged(lab, case)["is_judged"]
    manifest = lab.post(f"{case}/release").raise_for_status().json()
    assert {r["file"] for r in manifest["records"]} == set(FILES)
    assert clinic.get(f"{case}/release").json() == manifest
    assert clinic.get(case).json()["state"] == "released"
    assert put(clinic, case, "jaw.stl", FILES["jaw.stl"].load()).json()["error"]["code"] == "wrong-turn"

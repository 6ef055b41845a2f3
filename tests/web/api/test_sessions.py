"""Who may ask: a session reads, but changes nothing without the token that our own pages carry; a program's token needs
none."""

from __future__ import annotations

import re

import pytest
from fastapi.testclient import TestClient

from server.app import build_app
from tests.portal.house import CLINIC, PASSWORD, House, waves
from tests.web.api.program import CASES, FORM, Program, refusal
from tests.web.walking import routes_of

SAFE = {"GET", "HEAD", "OPTIONS"}


def changing_routes(house: House) -> list[tuple[str, str]]:
    routes = routes_of(build_app(house.portal))
    return sorted((m, path) for m, path in routes if path.startswith("/api/") and m not in SAFE)


@pytest.fixture
def browser(house: House) -> TestClient:
    client = TestClient(build_app(house.portal), base_url="http://portal.test", follow_redirects=False)
    assert client.post("/sign-in", data={"email": CLINIC, "password": PASSWORD}).status_code == 303
    return client


def csrf(browser: TestClient) -> str:
    found = re.search(r'data-csrf="([^"]+)"', browser.get("/tokens").text)
    assert found is not None
    return found.group(1)


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"X-CSRF-Token": "guessed"},
        {"Authorization": "Bearer"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Content-Type": "text/plain"},
    ],
)
def test_a_session_alone_changes_nothing_on_any_route(
    house: House, browser: TestClient, clinic: Program, case: str, headers: dict[str, str]
) -> None:
    record = clinic.put(case, waves(1, n=8), role="jaw").json()["id"]
    routes = changing_routes(house)
    assert len(routes) == 19
    before = clinic.get(case)
    for method, path in routes:
        url = path.format(
            case_id=before["id"], record_id=record, file_name="jaw.stl", upload_id="u", webhook_id="w"
        )
        answer = browser.request(method, url, content=b"{}", headers=headers)
        assert refusal(answer) == (403, "forged"), (method, path)
    assert clinic.get(case) == before


def test_the_token_in_a_form_field_is_not_enough(browser: TestClient, case: str) -> None:
    """A body is the route's own to read; a form of another kind is not looked into."""
    answer = browser.post(f"{case}/withdraw", data={"csrf_token": csrf(browser)})
    assert refusal(answer) == (403, "forged")


def test_our_own_pages_may_ask(browser: TestClient, case: str) -> None:
    own = {"X-CSRF-Token": csrf(browser), "Origin": "http://portal.test", "Sec-Fetch-Site": "same-origin"}
    assert browser.post(CASES, json=FORM, headers=own).status_code == 201
    assert browser.put(f"{case}/files/jaw.stl", content=waves(1, n=8), headers=own).status_code == 201


def test_a_session_may_read(browser: TestClient, case: str) -> None:
    assert browser.get(case).status_code == 200


def test_a_token_needs_no_other_token_from_anywhere(clinic: Program) -> None:
    headers = {"Origin": "http://evil.example", "Sec-Fetch-Site": "cross-site"}
    assert clinic.ask("POST", CASES, json=FORM, headers=headers).status_code == 201


def test_a_token_counts_before_a_session(browser: TestClient, house: House) -> None:
    """A page of one clinic's person with another's token acts for the token."""
    other = house.tokens["otto@quay.example"]
    answer = browser.post(CASES, json=FORM, headers={"Authorization": f"Bearer {other}"})
    assert answer.json()["clinic"] == "Quay Side"
    wrong = browser.get(CASES, headers={"Authorization": "Bearer nonsense"})
    assert refusal(wrong) == (401, "not-signed-in")


def test_other_hosts_are_told_nothing(clinic: Program, case: str) -> None:
    """No answer lets a script of another host read it."""
    asked = {"Origin": "http://evil.example", "Access-Control-Request-Method": "PUT"}
    before = clinic.client.options(case, headers=asked)
    after = clinic.ask("GET", case, headers={"Origin": "http://evil.example"})
    for answer in (before, after):
        assert not [name for name in answer.headers if name.startswith("access-control-")]

"""The pages over a real portal on a real database, asked as a browser would ask."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from server.accounts.people import add_organisation
from server.accounts.tables import OrganisationKind, PersonRole
from server.accounts.work import PORTAL, writing
from server.app import build_app, open_portal
from server.kit.portal import Portal
from server.kit.settings import Settings
from tests.browser.portal import CLINIC_EMAIL, LAB_EMAIL, PASSWORD, add_accounts

OTHER_EMAIL = "otto@quay.example"


@pytest.fixture(scope="module")
def portal(tmp_path_factory: pytest.TempPathFactory) -> Portal:
    settings = Settings(data_dir=tmp_path_factory.mktemp("portal"), run_worker=False, max_body_bytes=20_000)
    made = open_portal(settings)
    add_accounts(made)
    from server.accounts.passwords import hash_password
    from server.accounts.people import add_person

    with writing(made, PORTAL) as work:
        clinic = add_organisation(work, OrganisationKind.CLINIC, "Quay Side")
        work.session.flush()
        add_person(work, clinic, PersonRole.CLINIC, OTHER_EMAIL, "Otto Vane", hash_password(PASSWORD))
    return made


@pytest.fixture
def client(portal: Portal) -> TestClient:
    return TestClient(build_app(portal), base_url="http://portal.test", follow_redirects=False)


def sign_in(client: TestClient, email: str) -> str:
    """Signs in; the token that forms carry."""
    answer = client.post("/sign-in", data={"email": email, "password": PASSWORD, "onward": "/"})
    assert answer.status_code == 303
    page = client.get("/tokens").text
    found = re.search(r'data-csrf="([^"]+)"', page)
    assert found is not None
    return found.group(1)


def new_case(client: TestClient, token: str) -> str:
    answer = client.post("/cases", data={"csrf_token": token})
    assert answer.status_code == 303
    return answer.headers["location"].split("/")[2]


@pytest.mark.parametrize(
    "path", ["/", "/queue", "/people", "/tokens", "/audit", "/rules", "/sheets", "/cases/x", "/cases/x/form"]
)
def test_nobody_sees_a_page_without_signing_in(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in?onward=/")


def test_a_wrong_password_says_neither_which(client: TestClient) -> None:
    wrong = [
        client.post("/sign-in", data={"email": e, "password": "not the password"})
        for e in (CLINIC_EMAIL, "no@one.example")
    ]
    assert [answer.status_code for answer in wrong] == [401, 401]
    assert all("The address or the password is wrong." in answer.text for answer in wrong)


@pytest.mark.parametrize(
    "onward", ["//evil.example/x", "https://evil.example", "/\\evil.example", "javascript:alert(1)", "/a\nb"]
)
def test_signing_in_leads_nowhere_else(client: TestClient, onward: str) -> None:
    answer = client.post("/sign-in", data={"email": CLINIC_EMAIL, "password": PASSWORD, "onward": onward})
    assert answer.headers["location"] == "/"


def test_the_cookie_is_kept_from_scripts(client: TestClient) -> None:
    answer = client.post("/sign-in", data={"email": CLINIC_EMAIL, "password": PASSWORD})
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie


def test_signing_out_ends_the_session_on_the_server(client: TestClient) -> None:
    token = sign_in(client, CLINIC_EMAIL)
    secret = client.cookies["archproof"]
    assert client.post("/sign-out", data={"csrf_token": token}).status_code == 303
    client.cookies.set("archproof", secret)
    assert client.get("/tokens").status_code == 303


@pytest.mark.parametrize(
    ("headers", "data"),
    [
        ({}, {}),
        ({}, {"csrf_token": "guessed"}),
        ({"X-CSRF-Token": "guessed"}, {}),
        ({"Origin": "http://evil.example"}, None),
        ({"Sec-Fetch-Site": "cross-site"}, None),
    ],
)
def test_a_forged_post_changes_nothing(
    client: TestClient, headers: dict[str, str], data: dict[str, str] | None
) -> None:
    token = sign_in(client, CLINIC_EMAIL)
    before = client.get("/").text.count("case-row")
    answer = client.post("/cases", data={"csrf_token": token} if data is None else data, headers=headers)
    assert answer.status_code == 403
    assert client.get("/").text.count("case-row") == before


def test_another_clinics_case_reads_like_one_that_never_was(client: TestClient) -> None:
    case_id = new_case(client, sign_in(client, CLINIC_EMAIL))
    client.cookies.clear()
    token = sign_in(client, OTHER_EMAIL)
    for path in ("", "/form", "/live"):
        theirs, none = (client.get(f"/cases/{c}{path}") for c in (case_id, "0" * 24))
        assert (theirs.status_code, none.status_code) == (404, 404)
        assert _without_ids(theirs.text) == _without_ids(none.text)
    for path in ("/form", "/submit", "/withdraw", "/messages", "/return", "/waivers", "/release"):
        assert (
            client.post(f"/cases/{case_id}{path}", data={"csrf_token": token, "says": "x"}).status_code == 404
        ), path


def _without_ids(text: str) -> str:
    return re.sub(r'<span class="figures">[^<]*</span>', "", text)


def test_a_clinic_does_not_see_the_labs_pages(client: TestClient) -> None:
    sign_in(client, CLINIC_EMAIL)
    assert [client.get(path).status_code for path in ("/queue", "/people", "/audit")] == [403, 403, 403]


def test_the_lab_does_not_write_the_clinics_form(client: TestClient) -> None:
    case_id = new_case(client, sign_in(client, CLINIC_EMAIL))
    client.cookies.clear()
    sign_in(client, LAB_EMAIL)
    assert client.get(f"/cases/{case_id}").status_code == 200
    assert client.get(f"/cases/{case_id}/form").status_code == 403


def test_the_form_is_kept_field_by_field(client: TestClient) -> None:
    token = sign_in(client, CLINIC_EMAIL)
    case_id = new_case(client, token)
    typed = {
        "csrf_token": token,
        "patient_code": "R-77",
        "vertical.reference_mm": "61,5",
        "vertical.seated_mm": "much",
    }
    kept = client.post(f"/cases/{case_id}/form", data=typed, headers={"HX-Request": "true"})
    assert kept.status_code == 200
    assert "Write a number" in kept.text
    page = client.get(f"/cases/{case_id}/form").text
    assert 'value="R-77"' in page
    assert 'value="61.5"' in page
    assert "much" not in page


def test_a_form_with_something_wrong_stays_open_and_shows_what_was_typed(client: TestClient) -> None:
    token = sign_in(client, CLINIC_EMAIL)
    case_id = new_case(client, token)
    answer = client.post(
        f"/cases/{case_id}/form", data={"csrf_token": token, "deed": "finish", "vertical.seated_mm": "much"}
    )
    assert answer.status_code == 422
    assert 'value="much"' in answer.text


def test_rows_of_implants_are_added_copied_and_taken_out(client: TestClient) -> None:
    token = sign_in(client, CLINIC_EMAIL)
    url = f"/cases/{new_case(client, token)}/form"
    first = {"csrf_token": token, "sites.0.tooth": "34", "sites.0.scan_body": "rb-60"}
    copied = client.post(url, data=first | {"deed": "add-like"}).text
    assert re.search(r'name="sites\.1\.scan_body"[^>]*value="rb-60"', copied)
    assert re.search(r'name="sites\.1\.tooth"[^>]*value=""', copied)
    both = first | {"sites.1.tooth": "44", "deed": "remove-site:0"}
    left = client.post(url, data=both).text
    assert 'name="sites.0.tooth"' not in left
    assert re.search(r'name="sites\.1\.tooth"[^>]*value="44"', left)


def test_more_than_a_form_may_hold_is_refused(client: TestClient) -> None:
    token = sign_in(client, CLINIC_EMAIL)
    case_id = new_case(client, token)
    answer = client.post(f"/cases/{case_id}/form", data={"csrf_token": token, "notes": "x" * 30_000})
    assert answer.status_code == 413
    assert "Too large" in answer.text


def test_an_error_names_its_request_and_nothing_else(client: TestClient) -> None:
    answer = client.get("/nowhere")
    assert answer.status_code == 404
    assert answer.headers["x-request-id"] in answer.text
    assert not re.search(r"Traceback|site-packages|sqlite|starlette", answer.text)


def test_our_own_fault_is_said_plainly(portal: Portal) -> None:
    app = build_app(portal)

    @app.get("/broken")
    def broken() -> None:
        raise RuntimeError("secret words of /etc/passwd")

    answer = TestClient(app, raise_server_exceptions=False).get("/broken")
    assert answer.status_code == 500
    assert "Our fault" in answer.text
    assert "secret words" not in answer.text
    assert "script-src 'self'" in answer.headers["content-security-policy"]
    assert answer.headers["x-request-id"] in answer.text


@pytest.mark.parametrize("path", ["/sign-in", "/nowhere", "/static/style/tokens.css"])
def test_every_answer_carries_the_policy(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


def test_the_first_administrator_joins_once(tmp_path: Path) -> None:
    from server.accounts.invitations import first_administrator_link

    fresh = open_portal(Settings(data_dir=tmp_path, run_worker=False))
    link = first_administrator_link(fresh)
    assert link is not None
    client = TestClient(build_app(fresh), base_url="http://portal.test", follow_redirects=False)
    path = link[link.index("/join/") :]
    assert "Set up Archproof" in client.get(path).text
    weak = client.post(path, data={"email": "imke@arches.example", "name": "Imke", "password": "short"})
    assert weak.status_code == 422
    assert "12 characters" in weak.text
    good = {"email": "imke@arches.example", "name": "Imke", "password": PASSWORD}
    assert client.post(path, data=good).status_code == 303
    assert client.get("/people").status_code == 200
    client.cookies.clear()
    assert client.post(path, data=good).status_code == 404
    assert first_administrator_link(fresh) is None


def test_the_lab_invites_and_ends_an_account(client: TestClient, portal: Portal) -> None:
    token = sign_in(client, LAB_EMAIL)
    page = client.get("/people").text
    clinic = re.search(r'value="([^"]+)">Quay Side', page)
    assert clinic is not None
    data = {
        "csrf_token": token,
        "organisation": clinic.group(1),
        "role": "clinic",
        "email": "pia@quay.example",
    }
    made = client.post("/people/invite", data=data).text
    link = re.search(r"/join/[\w-]+", made)
    assert link is not None
    guest = TestClient(build_app(portal), base_url="http://portal.test", follow_redirects=False)
    assert guest.post(link.group(), data={"name": "Pia Lunt", "password": PASSWORD}).status_code == 303
    person = re.search(
        r'action="/people/(\w+)/disable">(?:(?!</form>).)*Pia Lunt', client.get("/people").text, re.S
    )
    assert person is not None
    assert client.post(f"/people/{person.group(1)}/disable", data={"csrf_token": token}).status_code == 303
    assert guest.get("/").status_code == 303


def test_a_token_is_shown_once(client: TestClient) -> None:
    token = sign_in(client, LAB_EMAIL)
    made = client.post("/tokens", data={"csrf_token": token, "name": "Scanner", "days": "30"}).text
    secret = re.search(r"archproof_[\w-]+", made)
    assert secret is not None
    assert secret.group() not in client.get("/tokens").text

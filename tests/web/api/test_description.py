"""The description of the interface: whole, true to the routes, and to be read by people without another host."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from server.app import build_app
from server.errors import ArchproofError
from server.records.case_form import read_case_form
from server.web.api import examples, shapes
from server.web.api.description import PATH, describe
from server.web.api.webhooks import WebhookGiven
from server.web.remedies import REMEDIES, remedy_of
from tests.portal.house import House, open_house
from tests.web.api.program import Program, refusal
from tests.web.walking import routes_of

SERVER = Path(__file__).resolve().parents[3] / "server"


@pytest.fixture(scope="module")
def document(house: House) -> dict[str, Any]:
    return describe(build_app(house.portal))


def refs(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("$ref"), str):
            yield value["$ref"]
        for inner in value.values():
            yield from refs(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from refs(inner)


def operations(document: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [(m.upper(), p, said) for p, methods in document["paths"].items() for m, said in methods.items()]


def test_every_route_is_described(house: House, document: dict[str, Any]) -> None:
    there = {(m, p) for m, p in routes_of(build_app(house.portal)) if p.startswith("/api/")}
    assert {(m, p) for m, p, _ in operations(document)} == there - {("GET", PATH)}
    assert not [p for p in document["paths"] if not p.startswith("/api/v1/")]


def test_every_reference_leads_somewhere(document: dict[str, Any]) -> None:
    known = {f"#/components/schemas/{name}" for name in document["components"]["schemas"]}
    assert set(refs(document)) <= known


def test_every_route_says_what_it_does_and_how_it_refuses(document: dict[str, Any]) -> None:
    tags = {tag["name"] for tag in document["tags"]}
    for method, path, said in operations(document):
        where = f"{method} {path}"
        assert said["summary"], where
        assert said["description"], where
        assert len(said["tags"]) == 1, where
        assert set(said["tags"]) <= tags, where
        if method == "OPTIONS":
            continue
        assert said["security"] == [{"token": []}], where
        assert "401" in said["responses"], where
        for status, answer in said["responses"].items():
            if status >= "400":
                schema = answer["content"]["application/json"]["schema"]
                assert schema == {"$ref": "#/components/schemas/ErrorAnswer"}, where
        if "{case_id}" in path or "{upload_id}" in path or "{webhook_id}" in path:
            assert "404" in said["responses"], where
        names = [p["name"] for p in said.get("parameters", [])]
        assert set(re.findall(r"{(\w+)}", path)) <= set(names), where
        if method in ("POST", "PUT", "PATCH") and "body" in said["description"]:
            assert "requestBody" in said, where


def test_the_ways_in_are_tokens(document: dict[str, Any]) -> None:
    (scheme,) = document["components"]["securitySchemes"].values()
    assert (scheme["type"], scheme["scheme"]) == ("http", "bearer")


def test_the_examples_are_taken(document: dict[str, Any], clinic: Program, case: str) -> None:
    assert read_case_form(json.dumps(examples.FORM)).patient_code == "R-1042"
    assert clinic.ask("PUT", f"{case}/form", json=examples.FORM).status_code == 200
    assert clinic.ask("PATCH", f"{case}/form", json=examples.MERGE).status_code == 200
    shapes.RecordChange.model_validate(examples.RECORD_CHANGE)
    shapes.WaiverGiven.model_validate(examples.WAIVER)
    WebhookGiven.model_validate(examples.WEBHOOK)
    for words in (examples.MESSAGE, examples.RETURN):
        shapes.Words.model_validate(words)
    assert "HTTPValidationError" not in document["components"]["schemas"]


def test_what_is_answered_is_what_was_described(document: dict[str, Any], clinic: Program, case: str) -> None:
    """Field by field: nothing more, nothing less."""
    schemas = document["components"]["schemas"]
    shown = clinic.get(case)
    assert set(shown) == set(schemas["CaseShape"]["properties"])
    assert set(shown["form"]) == set(schemas["CaseForm"]["properties"])
    assert "schema" in shown["form"]
    assert set(clinic.get("/api/v1/cases")) == set(schemas["CaseListShape"]["properties"])


def test_it_is_not_for_everybody(clinic: Program) -> None:
    answer = clinic.client.get(PATH)
    assert refusal(answer) == (401, "not-signed-in")
    assert clinic.ask("GET", PATH).json()["openapi"].startswith("3.")
    assert clinic.client.get("/interface", follow_redirects=False).status_code == 303


def test_it_is_for_everybody_where_the_settings_say_so(tmp_path: Path) -> None:
    open_to_all = open_house(tmp_path, show_api_docs=True)
    assert TestClient(build_app(open_to_all.portal)).get(PATH).status_code == 200


def test_the_frameworks_own_pages_are_not_there(clinic: Program) -> None:
    for path in ("/docs", "/redoc", "/openapi.json", "/api/docs"):
        assert clinic.client.get(path).status_code == 404


def codes() -> set[str]:
    def below(kind: type[ArchproofError]) -> Iterator[type[ArchproofError]]:
        for sub in kind.__subclasses__():
            yield sub
            yield from below(sub)

    said = {
        code
        for path in SERVER.rglob("*.py")
        for code in re.findall(r"(?:\bcode=|\bcode = )\"([a-z-]+)\"", path.read_text("utf-8"))
    }
    return {kind.code for kind in below(ArchproofError)} | said


def test_every_code_that_has_a_remedy_exists() -> None:
    assert set(REMEDIES) - codes() == {"http-404", "http-405", "request-invalid"}


def test_every_code_of_the_interface_has_a_remedy_of_its_own() -> None:
    web = {"accounts", "cases", "uploads", "review", "handoff", "web"}
    elsewhere = {"password-weak", "email", "email-taken", "name", "login-failed", "invitation-over", "vendor"}
    elsewhere |= {"package-broken"}
    mine = {
        code
        for folder in web
        for path in (SERVER / folder).rglob("*.py")
        for code in re.findall(r"(?:\bcode=|\bcode = )\"([a-z-]+)\"", path.read_text("utf-8"))
    }
    assert mine - elsewhere - set(REMEDIES) == set()


@pytest.mark.parametrize("status", [400, 401, 404, 409, 422, 500, 507])
def test_an_unforeseen_code_has_a_remedy_too(status: int) -> None:
    assert remedy_of("something-new", status).endswith(".")


def test_choices_are_named_where_they_are_asked_for(document: dict[str, Any]) -> None:
    """The page for people shows the words of a parameter, not its schema."""
    for _, path, said in operations(document):
        for parameter in said.get("parameters", []):
            if parameter["in"] == "path":
                continue
            words = parameter.get("description", "")
            assert words, (path, parameter["name"])
            for ref in refs(parameter["schema"]):
                choices = document["components"]["schemas"][ref.rsplit("/", 1)[-1]]["enum"]
                assert [c for c in choices if c not in words] == [], (path, parameter["name"])

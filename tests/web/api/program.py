"""A program that asks the interface with a token, over a house of two clinics and a lab."""

from __future__ import annotations

from typing import Any

import httpx
from fastapi.testclient import TestClient

from server.app import build_app
from tests.portal.house import CLINIC, LAB, OTHER, House
from tests.rules.good_set import GOOD_FORM

CASES = "/api/v1/cases"
FORM: dict[str, Any] = {**GOOD_FORM, "records": []}
NOBODY = "0" * 24


class Program:
    def __init__(self, house: House, who: str = CLINIC) -> None:
        self.house = house
        self.client = TestClient(
            build_app(house.portal), base_url="http://portal.test", raise_server_exceptions=False
        )
        self.token = house.tokens[who]

    def ask(self, method: str, path: str, **sent: Any) -> httpx.Response:
        headers = {"Authorization": f"Bearer {self.token}"} | sent.pop("headers", {})
        answer: httpx.Response = self.client.request(method, path, headers=headers, **sent)
        return answer

    def get(self, path: str, **sent: Any) -> Any:
        answer = self.ask("GET", path, **sent)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def open(self, **changes: Any) -> str:
        """A new case of the clinic's; its address."""
        answer = self.ask("POST", CASES, json={**FORM, **changes})
        assert answer.status_code == 201, answer.text
        return str(answer.headers["location"])

    def put(self, case: str, data: bytes, name: str = "jaw.stl", **said: str) -> httpx.Response:
        return self.ask("PUT", f"{case}/files/{name}", content=data, params={"unit": "mm", **said})


def programs(house: House) -> tuple[Program, Program, Program]:
    """One of the clinic, one of another clinic, one of the lab."""
    return Program(house), Program(house, OTHER), Program(house, LAB)


def refusal(answer: httpx.Response) -> tuple[int, str]:
    """Status and code; every refusal says what to do."""
    error = answer.json()["error"]
    assert error["says"]
    assert error["remedy"]
    assert error["request_id"] == answer.headers["x-request-id"]
    return answer.status_code, error["code"]


def fields(answer: httpx.Response) -> list[str]:
    assert answer.status_code == 422, answer.text
    return [problem["field"] for problem in answer.json()["error"]["problems"]]

"""A program that sends files by the resumable upload protocol."""

from __future__ import annotations

import base64
import hashlib

import httpx
from fastapi.testclient import TestClient

from server.app import build_app
from tests.portal.house import CLINIC, House, waves

PATH = "/api/v1/uploads"
DATA = waves(1, n=12)
SHA = hashlib.sha256(DATA).hexdigest()


class Sender:
    """A program with a token."""

    def __init__(self, house: House, who: str = CLINIC) -> None:
        self.house = house
        self.client = TestClient(build_app(house.portal), raise_server_exceptions=False)
        self.headers = {"Authorization": f"Bearer {house.tokens[who]}", "Tus-Resumable": "1.0.0"}

    def begin(self, length: object = len(DATA), **said: str) -> httpx.Response:
        return self.announce(length, {"filename": "jaw.stl", "unit": "mm"} | said)

    def announce(self, length: object, said: dict[str, str]) -> httpx.Response:
        pairs = ",".join(f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in said.items())
        headers = self.headers | {"Upload-Length": str(length), "Upload-Metadata": pairs}
        answer: httpx.Response = self.client.post(PATH, headers=headers)
        return answer

    def patch(self, url: str, offset: object, data: bytes = b"", **headers: str) -> httpx.Response:
        sent = self.headers | {
            "Upload-Offset": str(offset),
            "Content-Type": "application/offset+octet-stream",
        }
        answer: httpx.Response = self.client.patch(url, content=data, headers=sent | headers)
        return answer

    def head(self, url: str) -> httpx.Response:
        answer: httpx.Response = self.client.head(url, headers=self.headers)
        return answer

    def delete(self, url: str) -> httpx.Response:
        answer: httpx.Response = self.client.delete(url, headers=self.headers)
        return answer


def code_of(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["error"]["code"]


def id_of(url: str) -> str:
    return url.rpartition("/")[2]


def parts_of(house: House, url: str) -> list[str]:
    return [key for key in house.kept_keys("parts") if id_of(url) in key]

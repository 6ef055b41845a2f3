"""Every route × everybody: the access table holds, and no route is missing from it."""

from __future__ import annotations

import base64
import re
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest
import uvicorn

from server.app import build_app
from tests.portal.house import CLINIC, LAB, OTHER, PASSWORD, House, open_house, waves
from tests.web.access import TABLE, Answers
from tests.web.walking import routes_of

NOBODY = "nobody"
WHO = {NOBODY: "nobody", CLINIC: "own", OTHER: "other", LAB: "lab"}
UNKNOWN = "0" * 24
JAW = waves(4, n=6)


@dataclass
class Asker:
    """Somebody with a browser's session for pages, and a token for the routes of programs."""

    pages: httpx.Client
    programs: httpx.Client
    csrf: str

    def ask(self, method: str, path: str, answers: Answers) -> httpx.Response:
        client = self.programs if path.startswith("/api/") else self.pages
        data = {"csrf_token": self.csrf, **answers.data} if method == "POST" and not _is_api(path) else None
        request: dict[str, Any] = {"data": data, "json": answers.json, "content": answers.content}
        sent = {name: value for name, value in request.items() if value is not None}
        with client.stream(method, path, headers=answers.headers, **sent) as answer:
            if "/live" not in path or answer.status_code != 200:
                answer.read()
        return answer


def _is_api(path: str) -> bool:
    return path.startswith("/api/")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    return open_house(tmp_path_factory.mktemp("house"))


@pytest.fixture(scope="module")
def address(house: House) -> Iterator[str]:
    """A real server on loopback, since a page that stays open is left by hanging up."""
    config = uvicorn.Config(build_app(house.portal), port=0, log_level="warning", timeout_graceful_shutdown=2)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        assert thread.is_alive()
        time.sleep(0.02)
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    server.should_exit = True
    thread.join(20)


@pytest.fixture(scope="module")
def askers(house: House, address: str) -> Iterator[dict[str, Asker]]:
    made = {}
    for who in WHO:
        pages, programs = (httpx.Client(base_url=address, timeout=60) for _ in range(2))
        made[who] = Asker(pages, programs, "")
        if who != NOBODY:
            programs.headers["Authorization"] = f"Bearer {house.tokens[who]}"
    yield made
    for asker in made.values():
        asker.pages.close()
        asker.programs.close()


def signed_in(asker: Asker, who: str) -> None:
    """Signs in where nobody is signed in any more."""
    if who == NOBODY or asker.pages.get("/tokens").status_code == 200:
        return
    sent = {"email": who, "password": PASSWORD}
    assert asker.pages.post("/sign-in", data=sent).status_code == 303
    found = re.search(r'data-csrf="([^"]+)"', asker.pages.get("/tokens").text)
    assert found is not None
    asker.csrf = found.group(1)


def filled(house: House, path: str, *, unknown: bool = False) -> tuple[str, str]:
    """The path with the ids of the clinic's own objects, made for this one request, and the case's id."""
    case_id = house.case() if "{case_id}" in path or "uploads" in path else ""
    ids = {"case_id": case_id, "file_name": "tissue.stl", "secret": "guessed", "path": "style/tokens.css"}
    ids |= {"person_id": UNKNOWN, "token_id": UNKNOWN, "name": "positions-against-jaw.png"}
    if case_id:
        ids["record_id"] = house.record(case_id, JAW)
    if "{upload_id}" in path:
        ids["upload_id"] = house.begin(case_id, 5)
    if "{webhook_id}" in path:
        ids["webhook_id"] = house.webhook()
    if unknown:
        ids |= dict.fromkeys(("case_id", "record_id", "upload_id", "webhook_id"), UNKNOWN)
    return path.format(**ids), ids["case_id"]


def announced(answers: Answers, case_id: str) -> Answers:
    if not answers.announces:
        return answers
    pairs = ",".join(
        f"{name} {base64.b64encode(value.encode()).decode()}"
        for name, value in {"case": case_id, "filename": "jaw.stl"}.items()
    )
    headers = {**answers.headers, "Upload-Length": "5", "Upload-Metadata": pairs}
    return Answers(answers.nobody, answers.own, answers.other, answers.lab, headers=headers)


def test_no_route_is_missing_from_the_table(house: House) -> None:
    assert routes_of(build_app(house.portal)) == set(TABLE)


@pytest.mark.parametrize("who", WHO)
@pytest.mark.parametrize(("method", "path"), TABLE, ids=lambda v: v)
def test_everybody_gets_what_the_table_says(
    house: House, askers: dict[str, Asker], who: str, method: str, path: str
) -> None:
    asker, answers = askers[who], TABLE[method, path]
    signed_in(asker, who)
    url, case_id = filled(house, path)
    answer = asker.ask(method, url, announced(answers, case_id))
    assert answer.status_code == getattr(answers, WHO[who])
    if answer.status_code == 303 and who == NOBODY and path != "/sign-out":
        assert answer.headers["location"].startswith("/sign-in?onward=/")


@pytest.mark.parametrize(
    ("method", "path"),
    [key for key in TABLE if any(f"{{{kind}_id}}" in key[1] for kind in ("case", "upload", "webhook"))],
    ids=lambda v: v,
)
def test_another_clinics_object_reads_like_one_that_never_was(
    house: House, askers: dict[str, Asker], method: str, path: str
) -> None:
    asker, answers = askers[OTHER], TABLE[method, path]
    signed_in(asker, OTHER)
    theirs, none = (asker.ask(method, filled(house, path, unknown=u)[0], answers) for u in (False, True))
    assert theirs.status_code == none.status_code == 404
    assert _plain(theirs) == _plain(none)
    assert set(theirs.headers) == set(none.headers)


def _plain(answer: httpx.Response) -> str:
    """The body without the id of the request."""
    return answer.text.replace(answer.headers["x-request-id"], "")

"""A folder sent to a portal: real tables and files behind the interface, the line between under the test's hand."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient

from server.app import build_app
from server.sending import files as files_module
from server.sending.case import NoVerdictYet, Teller, send_folder, verdict_of_case
from server.sending.portal import PortalAway, PortalClient, PortalRefused
from server.sending.remembered import NAME
from tests.portal.house import CLINIC, OTHER, House, open_house, waves
from tests.rules.good_set import GOOD_FORM

JAW, OPPOSING = waves(1, n=40), waves(2, n=40)


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    return open_house(tmp_path_factory.mktemp("house"))


@dataclass
class Line(httpx.BaseTransport):
    """The way to the portal. asked: what went over it; breaks: says of a request whether it is lost on the way, and whether
    only after the portal has had it."""

    inner: httpx.BaseTransport
    asked: list[str] = field(default_factory=list)
    breaks: Callable[[httpx.Request, int], str] = lambda _request, _number: ""

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(f"{request.method} {request.url.path}")
        how = self.breaks(request, len(self.asked))
        if how == "before":
            raise httpx.ConnectError("no line")
        answer = self.inner.handle_request(request)
        if how == "after":
            raise httpx.ReadError("no line")
        return answer

    def parts(self) -> int:
        return sum(words.startswith("PATCH /api/v1/uploads") for words in self.asked)


@dataclass
class Told:
    words: list[str] = field(default_factory=list)
    safe: dict[str, list[int]] = field(default_factory=dict)

    @property
    def teller(self) -> Teller:
        return Teller(self.words.append, lambda name, _size: self.safe.setdefault(name, []).append)


def line_to(house: House) -> Line:
    client = TestClient(build_app(house.portal), base_url="http://127.0.0.1", raise_server_exceptions=False)
    return Line(client._transport)


def portal_of(house: House, line: Line, who: str = CLINIC, *, patience_s: float = 30.0) -> PortalClient:
    return PortalClient(
        "http://127.0.0.1", house.tokens[who], transport=line, sleep=lambda _s: None, patience_s=patience_s
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "jaw.stl").write_bytes(JAW)
    (tmp_path / "opposing.stl").write_bytes(OPPOSING)
    records = [
        {"role": "jaw", "file": "jaw.stl", "unit": "mm"},
        {"role": "opposing", "file": "opposing.stl", "unit": "mm"},
    ]
    write_form(tmp_path, records=records)
    return tmp_path


def write_form(folder: Path, **changes: Any) -> None:
    (folder / "case.json").write_text(json.dumps({**GOOD_FORM, **changes}))


def present(house: House, case_id: str) -> dict[str, tuple[str, str]]:
    """The records of the case: role and SHA-256 by file name."""
    held = (record for record in house.records(case_id) if record.last_round is None)
    return {record.file_name: (str(record.role), record.sha256) for record in held}


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


BOTH = {"jaw.stl": ("jaw", sha256(JAW)), "opposing.stl": ("opposing", sha256(OPPOSING))}


def test_everything_arrives_once(house: House, folder: Path) -> None:
    line, told = line_to(house), Told()
    case_id = send_folder(portal_of(house, line), folder, told.teller)
    assert present(house, case_id) == BOTH
    assert {name: safe[-1] for name, safe in told.safe.items()} == {
        "jaw.stl": len(JAW),
        "opposing.stl": len(OPPOSING),
    }
    again = line_to(house)
    assert send_folder(portal_of(house, again), folder, Told().teller) == case_id
    assert again.parts() == 0
    assert len(house.records(case_id)) == 2


def test_only_the_mended_file_goes_again_in_the_place_of_the_old_one(house: House, folder: Path) -> None:
    case_id = send_folder(portal_of(house, line_to(house)), folder, Told().teller)
    mended = waves(7, n=40)
    (folder / "jaw.stl").write_bytes(mended)
    line = line_to(house)
    assert send_folder(portal_of(house, line), folder, Told().teller) == case_id
    assert line.parts() == 1
    assert present(house, case_id)["jaw.stl"] == ("jaw", sha256(mended))
    assert len(present(house, case_id)) == 2


@pytest.mark.parametrize("how", ["before", "after"])
def test_a_broken_line_costs_no_part_twice(
    house: House, folder: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    monkeypatch.setattr(files_module, "PART_BYTES", 50_000)
    line = line_to(house)
    line.breaks = lambda request, number: how if request.method == "PATCH" and number % 3 == 0 else ""
    case_id = send_folder(portal_of(house, line), folder, Told().teller)
    assert present(house, case_id) == BOTH


def test_a_line_that_stays_away_is_said_and_the_same_command_goes_on(
    house: House, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files_module, "PART_BYTES", 50_000)
    line, told = line_to(house), Told()
    line.breaks = lambda _request, _number: "before" if line.parts() > 2 else ""
    with pytest.raises(PortalAway, match="run the same command again"):
        send_folder(portal_of(house, line, patience_s=2.0), folder, told.teller)
    back, told = line_to(house), Told()
    case_id = send_folder(portal_of(house, back), folder, told.teller)
    assert told.safe["jaw.stl"][0] == 100_000
    assert present(house, case_id)["jaw.stl"] == BOTH["jaw.stl"]


def test_what_the_form_says_anew_is_said_without_sending(house: House, folder: Path) -> None:
    case_id = send_folder(portal_of(house, line_to(house)), folder, Told().teller)
    write_form(
        folder, notes="Midline as marked.", records=[{"role": "tissue", "file": "jaw.stl", "unit": "cm"}]
    )
    line, told = line_to(house), Told()
    send_folder(portal_of(house, line), folder, told.teller)
    assert line.parts() == 0
    assert {(r.file_name, str(r.role), r.unit.value) for r in house.records(case_id)} == {
        ("jaw.stl", "tissue", "cm"),
        ("opposing.stl", "opposing", "mm"),
    }
    assert house.get_case(case_id).form["notes"] == "Midline as marked."
    assert told.words == ["The case also holds opposing.stl, which the folder does not name; it stays."]


def test_two_files_of_the_same_bytes_stay_two_records(house: House, folder: Path) -> None:
    (folder / "tissue.stl").write_bytes(JAW)
    records = [{"role": role, "file": f"{role}.stl", "unit": "mm"} for role in ("jaw", "tissue")]
    write_form(folder, records=records)
    case_id = send_folder(portal_of(house, line_to(house)), folder, Told().teller)
    both = {"jaw.stl": ("jaw", sha256(JAW)), "tissue.stl": ("tissue", sha256(JAW))}
    assert present(house, case_id) == both
    send_folder(portal_of(house, line_to(house)), folder, Told().teller)
    assert present(house, case_id) == both


def test_it_is_handed_to_the_lab_where_that_is_asked(house: House, folder: Path) -> None:
    case_id = send_folder(portal_of(house, line_to(house)), folder, Told().teller, submit=True)
    assert house.get_case(case_id).state.value == "with-lab"


def test_another_clinic_opens_a_case_of_its_own(house: House, folder: Path) -> None:
    mine = send_folder(portal_of(house, line_to(house)), folder, Told().teller)
    theirs = send_folder(portal_of(house, line_to(house), OTHER), folder, Told().teller)
    assert theirs != mine


def test_a_refusal_is_told_in_the_words_of_the_portal(house: House, folder: Path) -> None:
    portal = PortalClient("http://127.0.0.1", "no-token", transport=line_to(house), sleep=lambda _s: None)
    with pytest.raises(PortalRefused) as refused:
        send_folder(portal, folder, Told().teller)
    assert refused.value.status == 401
    assert "token" in refused.value.says.lower()


def test_a_portal_that_has_not_judged_is_not_waited_for_without_end(house: House, folder: Path) -> None:
    portal = portal_of(house, line_to(house))
    case_id = send_folder(portal, folder, Told().teller)
    with pytest.raises(NoVerdictYet, match="still measuring"):
        verdict_of_case(portal, case_id, wait_s=3.0, sleep=lambda _s: None)


def test_what_a_folder_remembers_holds_no_token(house: House, folder: Path) -> None:
    send_folder(portal_of(house, line_to(house)), folder, Told().teller)
    kept = (folder / NAME).read_text()
    assert house.tokens[CLINIC] not in kept
    assert json.loads(kept)["uploads"] == {}

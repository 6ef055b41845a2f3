"""Previews in the portal: one for every surface, made once for a content, nobody else's to see, nothing personal in them."""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import numpy as np
import pytest
from starlette.testclient import TestClient

from server.accounts.work import reading, writing
from server.app import build_app
from server.cases.changing import change_record
from server.cases.jobs import DRAW_RECORD
from server.cases.tables import Record
from server.inspection.child import ChildOutOfMemory
from server.inspection.previews import NotDrawn, ask_for_previews, draw_one, preview_bytes, preview_sizes
from server.records.roles import Role, Unit
from server.uploads.housekeeping import GRACE, forget_unheld_blobs, sweep
from tests.metrology.preview.unpacking import unpacked
from tests.portal.house import CLINIC, LAB, OTHER, PASSWORD, House, open_house, waves

CANARY = b"Rosalind Ember 1961-03-12"


def named(data: bytes) -> bytes:
    """A binary STL with a patient's name in its header."""
    return CANARY.ljust(80, b" ") + data[80:]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = open_house(tmp_path)
    yield made
    made.portal.database.close()


def bytes_of(house: House, case_id: str, record_id: str, who: str = LAB) -> bytes:
    with reading(house.portal, house.actors[who]) as work:
        return preview_bytes(house.portal, work, case_id, record_id)


def test_a_measured_surface_is_drawn_once(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, waves(1))
    assert (DRAW_RECORD.name, record_id) in house.work_off()
    scan, off_mm = unpacked(bytes_of(house, case_id, record_id))
    assert scan.n_faces == 2 * 40 * 40
    assert off_mm < 0.01
    (key,) = house.kept_keys("previews")

    def never(*_: object) -> bytes:
        raise AssertionError("it is drawn already")

    draw_one(house.portal, never, record_id)
    assert house.kept_keys("previews") == [key]


def test_nothing_of_the_file_but_its_surface_is_in_it(house: House) -> None:
    case_id = house.case()
    plain = house.record(case_id, waves(2), name="a.stl")
    told = house.record(case_id, named(waves(2)), name="Ember Rosalind.stl", role=Role.TISSUE)
    house.work_off()
    raw = gzip.decompress(bytes_of(house, case_id, told))
    assert CANARY not in raw
    assert b"Ember" not in raw
    assert b"Ember" not in bytes_of(house, case_id, told)[:64]
    assert bytes_of(house, case_id, told) == bytes_of(house, case_id, plain)


@pytest.mark.parametrize("role", [Role.JAW, Role.MARKERS, Role.PHOTO])
def test_what_shows_no_surface_has_none(house: House, role: Role) -> None:
    case_id = house.case()
    record_id = house.record(case_id, b"tooth,x_mm,y_mm\n", role=role, name="points.csv")
    house.work_off()
    assert house.kept_keys("previews") == []
    with pytest.raises(NotDrawn):
        bytes_of(house, case_id, record_id)


def test_another_unit_is_another_preview(house: House) -> None:
    """Declared as micrometres the sheet is far too small to be anything; told unknown, its size says millimetres."""
    case_id = house.case()
    record_id = house.record(case_id, waves(3))
    house.work_off()
    before = bytes_of(house, case_id, record_id)
    for unit, is_drawn in ((Unit.UM, False), (Unit.UNKNOWN, True)):
        with writing(house.portal, house.actors[CLINIC]) as work:
            change_record(work, record_id, role=None, unit=unit)
        house.work_off()
        assert bool(preview_sizes(house.portal, house.records(case_id))) is is_drawn
    assert bytes_of(house, case_id, record_id) == before
    assert len(house.kept_keys("previews")) == 2


def test_a_child_that_is_lost_leaves_the_page_without_one(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, waves(4))
    house.work_off()
    house.portal.store.forget(house.kept_keys("previews"))

    def lost(*_: object) -> bytes:
        raise ChildOutOfMemory("too much")

    draw_one(house.portal, lost, record_id)
    assert preview_sizes(house.portal, house.records(case_id)) == {}
    assert ask_for_previews(house.portal) == 1
    house.work_off()
    assert list(preview_sizes(house.portal, house.records(case_id))) == [record_id]
    assert ask_for_previews(house.portal) == 0


def test_it_goes_with_the_bytes_it_shows(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, waves(5))
    house.work_off()
    sha256 = house.get(record_id).sha256
    house.clock.advance((GRACE + timedelta(hours=1)).total_seconds())
    assert sweep(house.portal) == 0
    with writing(house.portal, house.actors[CLINIC]) as work:
        work.session.delete(work.session.get_one(Record, record_id))
    assert forget_unheld_blobs(house.portal, [sha256]) == 1
    assert sweep(house.portal) == 1
    assert house.kept_keys("previews") == []


def test_a_page_gets_it_deflated_and_may_keep_it_to_itself(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, waves(6))
    house.work_off()
    path = f"/cases/{case_id}/records/{record_id}/preview"
    with TestClient(build_app(house.portal)) as client:
        assert _signed_in(client, OTHER).get(path).status_code == 404
        answer = _signed_in(client, LAB).get(path)
        assert answer.headers["content-encoding"] == "gzip"
        assert answer.headers["cache-control"].startswith("private")
        assert "sandbox" not in answer.headers["content-type"]
        plain = client.get(path, headers={"Accept-Encoding": "identity"})
        assert "content-encoding" not in plain.headers
        assert plain.content == answer.content == gzip.decompress(bytes_of(house, case_id, record_id))
        told = client.get(f"/cases/{case_id}/plate").json()
        assert [(layer["role"], bool(layer["href"])) for layer in told["layers"]] == [("jaw", True)]
        assert client.get(told["layers"][0]["href"]).content == plain.content


def _signed_in(client: httpx.Client, who: str) -> httpx.Client:
    client.cookies.clear()
    client.post("/sign-in", data={"email": who, "password": PASSWORD})
    return client


def test_a_record_is_shown_as_a_picture_to_whoever_may_see_its_case(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, waves(1))
    path = f"/cases/{case_id}/records/{record_id}/picture.png"
    with TestClient(build_app(house.portal)) as client:
        assert _signed_in(client, CLINIC).get(path).status_code == 404
        assert path not in client.get(f"/cases/{case_id}").text
        house.work_off()
        assert path in client.get(f"/cases/{case_id}").text
        for who in (CLINIC, LAB):
            answer = _signed_in(client, who).get(path)
            assert answer.headers["content-type"] == "image/png"
            assert answer.content.startswith(b"\x89PNG")
            assert answer.headers["cache-control"].startswith("private")
        assert _signed_in(client, OTHER).get(path).status_code == 404


def test_the_place_of_a_finding_is_shown_as_a_picture(house: House) -> None:
    case_id = house.case()
    house.record(case_id, torn(waves(1)))
    house.work_off()
    with TestClient(build_app(house.portal)) as client:
        shown = re.findall(
            rf"/cases/{case_id}/places/reason-[0-9a-f]+\.png",
            _signed_in(client, CLINIC).get(f"/cases/{case_id}").text,
        )
        assert shown
        for path in shown:
            assert client.get(path).content.startswith(b"\x89PNG")
            assert _signed_in(client, LAB).get(path).status_code == 200
        assert _signed_in(client, OTHER).get(shown[0]).status_code == 404
        assert _signed_in(client, CLINIC).get(f"/cases/{case_id}/places/reason-0.png").status_code == 404


def torn(data: bytes) -> bytes:
    """A binary STL without the facets about its middle."""
    facets = np.frombuffer(
        data, dtype=np.dtype([("normal", "<f4", 3), ("at", "<f4", (3, 3)), ("rest", "<u2")]), offset=84
    )
    middles = facets["at"].mean(axis=1)
    kept = facets[np.linalg.norm(middles - middles.mean(axis=0), axis=1) > 5.0]
    return data[:80] + np.uint32(len(kept)).tobytes() + kept.tobytes()

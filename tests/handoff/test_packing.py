"""The package of a release in the portal: made once by a job, kept, named in the release; and what happens where it cannot."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from server.accounts.work import PORTAL, reading, writing
from server.cases.turns import submit
from server.handoff.manifest import PackageManifest
from server.handoff.packing import NotPacked, doings, pack, package_key, package_of
from server.handoff.paper_of_case import paper_of
from server.handoff.release import PACK_RELEASE, release, release_or_none
from server.handoff.tables import Release
from server.inspection.child import ChildDied
from server.inspection.judgements import NotJudged
from server.records.roles import Role
from tests.portal.house import CLINIC, LAB, House, here, open_house, waves
from tests.review.test_deciding import REASON, waive_all


@pytest.fixture
def house(tmp_path: Path) -> House:
    return open_house(tmp_path)


@pytest.fixture
def released(house: House) -> Release:
    """A release of a case with one record, everything against it waived; its package waits to be made."""
    case_id = house.case()
    house.record(case_id, waves(1))
    house.record(case_id, b"solid nothing", Role.TISSUE, "tissue.stl")
    with writing(house.portal, house.actors[CLINIC]) as work:
        submit(work, case_id)
    house.work_off()
    waive_all(house, case_id)
    with writing(house.portal, house.actors[LAB]) as work:
        return release(work, case_id)


def row(house: House, made: Release) -> Release:
    with reading(house.portal, PORTAL) as work:
        found = release_or_none(work, made.case_id)
    assert found is not None
    return found


def test_a_release_is_packed_by_a_job_and_named_by_its_hash(house: House, released: Release) -> None:
    with reading(house.portal, house.actors[LAB]) as work, pytest.raises(NotPacked, match="being made"):
        package_of(work, released.case_id)
    assert house.work_off() == [("pack-release", released.id)]
    with reading(house.portal, house.actors[CLINIC]) as work:
        made = package_of(work, released.case_id)
    data = house.portal.store.read(package_key(released.id))
    assert (hashlib.sha256(data).hexdigest(), len(data)) == (made.package_sha256, made.package_bytes)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        manifest = PackageManifest.model_validate_json(archive.read("manifest.json"))
        report = json.loads(archive.read("report.json"))
        paper = archive.read("report.pdf")
    assert manifest.case_id == released.case_id
    assert [(file.source, file.path) for file in manifest.files if file.role] == [
        ("jaw.stl", "scans/jaw.stl")
    ]
    assert [left.file for left in manifest.left_out] == ["tissue.stl"]
    assert manifest.accepted
    assert manifest.no_positions
    assert paper.startswith(b"%PDF-")
    assert report["schema"] == "archproof.report/1"


def _never(*_: Any) -> Any:
    raise AssertionError("nothing is made again")


def test_packing_twice_makes_it_once(house: House, released: Release) -> None:
    house.work_off()
    before = row(house, released)
    pack(house.portal, _never, released.id)
    assert row(house, released) == before


def _half(house: House, key: str) -> None:
    with house.portal.store.scratch() as path:
        path.write_bytes(b"PK half")
        house.portal.store.keep(path, key)


def test_what_a_crash_left_half_is_made_anew(house: House, released: Release) -> None:
    _half(house, package_key(released.id))
    house.work_off()
    data = house.portal.store.read(package_key(released.id))
    assert hashlib.sha256(data).hexdigest() == row(house, released).package_sha256


def test_where_it_cannot_be_made_the_lab_is_told(house: House, released: Release) -> None:
    def dying(*_: object) -> Any:
        raise ChildDied("gone")

    def run(function: Callable[..., Any], *arguments: object) -> Any:
        return dying() if function.__name__ == "make_parts" else here(function, *arguments)

    house.work_off(run)
    with (
        reading(house.portal, house.actors[LAB]) as work,
        pytest.raises(NotPacked, match="could not be made"),
    ):
        package_of(work, released.case_id)


def test_a_release_that_is_gone_needs_no_package(house: House) -> None:
    doing = doings(house.portal, _never)[PACK_RELEASE]
    doing.run("0" * 32)
    assert doing.give_up is not None
    doing.give_up("0" * 32)


def test_the_paper_names_what_was_accepted(house: House, released: Release) -> None:
    with reading(house.portal, house.actors[CLINIC]) as work:
        pdf = paper_of(house.portal, work, released.case_id)
    words = "".join("".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages)
    assert REASON.replace(" ", "") in words


def test_before_the_first_judgement_there_is_no_paper(house: House) -> None:
    case_id = house.case()
    with reading(house.portal, house.actors[CLINIC]) as work, pytest.raises(NotJudged):
        paper_of(house.portal, work, case_id)

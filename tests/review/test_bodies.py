"""The body catalogue in the portal: who may add to it, what is refused, what supersedes what, what is kept."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy.exc import IntegrityError
from sqlmodel import col, select

from seed_data.phantoms.mesh_files import stl_bytes
from server.accounts.tables import AuditEntry
from server.accounts.work import PORTAL, NotYours, reading, writing
from server.cases.bodies import CatalogueBody, body_ids, current_bodies
from server.inspection.child import ChildFailed, ChildLimits, ChildPool, ChildTimedOut
from server.measures.body_set import BodyUnusable
from server.review.bodies import Added, add_bodies
from server.uploads.finishing import blob_key
from server.uploads.housekeeping import forget_unheld_blobs, sweep
from server.uploads.tables import Blob
from tests.portal.house import CLINIC, LAB, House, here, open_house
from tests.review.offered import mesh_of, offered


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = open_house(tmp_path / "portal")
    yield made
    made.portal.database.close()


def versions(house: House) -> list[CatalogueBody]:
    with reading(house.portal, PORTAL) as work:
        return list(work.session.exec(select(CatalogueBody).order_by(col(CatalogueBody.added_at))))


def add(house: House, *bodies: Any, who: str = LAB) -> dict[str, Added]:
    return add_bodies(house.portal, house.actors[who], bodies, here)


def test_what_the_lab_adds_is_in_the_catalogue_with_its_mesh(house: House, tmp_path: Path) -> None:
    added = add(house, offered(tmp_path, "rb-60"), offered(tmp_path, "rb-45"))
    assert added == {"rb-60": Added.NEW, "rb-45": Added.NEW}
    with reading(house.portal, house.actors[CLINIC]) as work:
        assert body_ids(work) == ("rb-45", "rb-60")
        first = current_bodies(work)[0]
        assert first.said == offered(tmp_path, "rb-45").entry
        assert first.added_by == house.actors[LAB].person_id
    assert house.portal.store.read(blob_key(first.mesh_sha256)) == mesh_of("rb-45")
    assert first.mesh_sha256 == hashlib.sha256(mesh_of("rb-45")).hexdigest()
    assert first.mesh_bytes == len(mesh_of("rb-45"))


def test_a_clinic_may_not_add_and_nothing_is_looked_at(house: House, tmp_path: Path) -> None:
    def never(*_: object) -> None:
        raise AssertionError("was looked at")

    with pytest.raises(NotYours):
        add_bodies(house.portal, house.actors[CLINIC], [offered(tmp_path)], never)
    assert versions(house) == []
    assert house.kept_keys("blobs") == []
    assert house.waiting.jobs == []


def test_the_same_again_changes_nothing(house: House, tmp_path: Path) -> None:
    add(house, offered(tmp_path))
    house.waiting.jobs.clear()
    assert add(house, offered(tmp_path)) == {"rb-60": Added.KNOWN}
    assert len(versions(house)) == 1
    assert house.waiting.jobs == []


@pytest.mark.parametrize("what", ["entry", "mesh"])
def test_another_entry_or_mesh_supersedes_and_the_old_version_stays(
    house: House, tmp_path: Path, what: str
) -> None:
    add(house, offered(tmp_path))
    house.waiting.jobs.clear()
    other = (
        offered(tmp_path, may_stay_in_mouth=False)
        if what == "entry"
        else offered(tmp_path, data=mesh_of("rb-60", "second batch"))
    )
    house.clock.advance(60.0)
    assert add(house, other) == {"rb-60": Added.NEXT_VERSION}
    old, new = versions(house)
    assert (old.said, old.superseded_at) == (offered(tmp_path).entry, new.added_at)
    assert (new.said, new.superseded_at) == (other.entry, None)
    assert house.portal.store.read(blob_key(old.mesh_sha256)) == mesh_of("rb-60")
    assert [job.name for job, _ in house.waiting.jobs] == ["judge-open-cases"]
    house.clock.advance(60.0)
    assert add(house, offered(tmp_path)) == {"rb-60": Added.NEXT_VERSION}
    assert [v.superseded_at is None for v in versions(house)] == [False, False, True]


def test_each_version_is_in_the_audit_trail_by_who_added_it(house: House, tmp_path: Path) -> None:
    add(house, offered(tmp_path))
    add(house, offered(tmp_path, may_stay_in_mouth=False))
    with reading(house.portal, PORTAL) as work:
        rows = list(work.session.exec(select(AuditEntry).where(AuditEntry.action == "body.add")))
    first, second = sorted(versions(house), key=lambda v: v.superseded_at is None)
    assert [row.object_id for row in rows] == ["rb-60", "rb-60"]
    assert {row.person_id for row in rows} == {house.actors[LAB].person_id}
    assert [row.detail["version"] for row in rows] == [first.id, second.id]
    assert [row.detail.get("supersedes") for row in rows] == [None, first.id]


def spoilt(folder: Path, fault: str) -> Any:
    if fault == "no mesh":
        return offered(folder, "rb-45", data=b"not a mesh")
    if fault == "axis along clock":
        return offered(folder, "rb-45", clock_direction=[0.0, 0.0, 1.0])
    if fault == "far seat":
        return offered(folder, "rb-45", seat_origin=[0.0, 0.0, 90.0])
    return offered(folder, "rb-60", may_stay_in_mouth=False)


@pytest.mark.parametrize("fault", ["no mesh", "axis along clock", "far seat", "the same id twice"])
def test_one_that_cannot_be_used_keeps_the_others_out_too(house: House, tmp_path: Path, fault: str) -> None:
    with pytest.raises(BodyUnusable):
        add(house, offered(tmp_path), spoilt(tmp_path, fault))
    assert versions(house) == []
    assert house.kept_keys("blobs") == []
    assert house.waiting.jobs == []


def test_a_mesh_that_breaks_its_child_is_refused_and_our_own_fault_is_not(
    house: House, tmp_path: Path
) -> None:
    def losing(*_: object) -> None:
        raise ChildTimedOut("It took too long.")

    def failing(*_: object) -> None:
        raise ChildFailed("ZeroDivisionError", "division by zero")

    with pytest.raises(BodyUnusable, match=r"rb-60 is too heavy\. It took too long\."):
        add_bodies(house.portal, PORTAL, [offered(tmp_path)], losing)
    with pytest.raises(ChildFailed):
        add_bodies(house.portal, PORTAL, [offered(tmp_path)], failing)


def test_in_a_measuring_child_a_good_body_is_taken_and_a_bad_one_refused_in_its_words(
    house: House, tmp_path: Path
) -> None:
    with ChildPool(1, ChildLimits(2 * 1024**3, 120.0, 120.0)) as children:
        assert add_bodies(house.portal, PORTAL, [offered(tmp_path)], children.run) == {"rb-60": Added.NEW}
        with pytest.raises(BodyUnusable, match="check seat_origin"):
            add_bodies(house.portal, PORTAL, [spoilt(tmp_path, "far seat")], children.run)


def test_a_file_far_larger_than_a_body_is_not_even_read(house: House, tmp_path: Path) -> None:
    body = offered(tmp_path)
    with body.path.open("r+b") as file:
        file.truncate(50_000_001)
    with pytest.raises(BodyUnusable, match="50 MB"):
        add(house, body)


def test_meshes_of_all_versions_are_held_and_other_blobs_are_not(house: House, tmp_path: Path) -> None:
    add(house, offered(tmp_path))
    add(house, offered(tmp_path, data=mesh_of("rb-60", "second batch")))
    meshes = [v.mesh_sha256 for v in versions(house)]
    lone = hashlib.sha256(b"lone").hexdigest()
    with writing(house.portal, PORTAL) as work:
        work.session.add(Blob(sha256=lone, size_bytes=4, kept_at=work.now))
    assert forget_unheld_blobs(house.portal, [*meshes, lone]) == 1
    house.clock.advance(86_400.0)
    assert sweep(house.portal) == 0
    assert house.kept_keys("blobs") == sorted(blob_key(sha256) for sha256 in meshes)


def test_the_lab_keeps_its_own_file_and_the_catalogue_a_copy(house: House, tmp_path: Path) -> None:
    body = offered(tmp_path)
    add(house, body)
    body.path.write_bytes(b"changed in place")
    assert house.portal.store.read(blob_key(versions(house)[0].mesh_sha256)) == mesh_of("rb-60")


def test_the_database_itself_refuses_two_current_versions(house: House, tmp_path: Path) -> None:
    add(house, offered(tmp_path))
    (there,) = versions(house)
    twin = CatalogueBody(**{**there.model_dump(), "id": "another"})
    with pytest.raises(IntegrityError), writing(house.portal, PORTAL) as work:
        work.session.add(twin)


def test_a_mesh_of_no_facets_is_refused(house: House, tmp_path: Path) -> None:
    empty = stl_bytes(np.zeros((0, 3)), np.zeros((0, 3), np.int64))
    with pytest.raises(BodyUnusable):
        add(house, offered(tmp_path, data=empty))

"""From parts to a record: done twice, half, or by two at once, it comes to the same."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path

import pytest

from server.accounts.people import disable_person
from server.accounts.work import PORTAL, reading, writing
from server.errors import BadRequest
from server.kit.file_store import StoreBroken
from server.uploads import finishing
from server.uploads.finishing import blob_key, finish_upload, finish_what_a_crash_left, keep_blob
from server.uploads.housekeeping import GRACE, sweep
from server.uploads.resumable import parts_of
from server.uploads.tables import Upload, UploadState
from tests.portal.house import CLINIC, LAB, House, open_house, waves

DATA = waves(5, n=10)
SHA = hashlib.sha256(DATA).hexdigest()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = open_house(tmp_path, upload_lifetime_s=3600)
    yield made
    made.portal.database.close()


def whole(house: House, case_id: str, data: bytes = DATA, cuts: tuple[int, ...] = (700,)) -> str:
    """An upload whose every byte is safe and that nobody has finished."""
    upload_id = house.begin(case_id, len(data))
    edges = (0, *cuts, len(data))
    for start, end in pairwise(edges):
        house.bring(upload_id, data[start:end], start)
    return upload_id


def state_of(house: House, upload_id: str) -> UploadState | None:
    with reading(house.portal, PORTAL) as work:
        upload = work.session.get(Upload, upload_id)
        return upload.state if upload else None


@pytest.mark.parametrize("cuts", [(), (1,), (700, 701, 5_000)])
def test_finishing_twice_makes_one_record(house: House, cuts: tuple[int, ...]) -> None:
    case_id = house.case()
    upload_id = whole(house, case_id, cuts=cuts)
    finish_upload(house.portal, upload_id)
    jobs = list(house.waiting.jobs)
    finish_upload(house.portal, upload_id)
    assert [(r.sha256, r.size_bytes) for r in house.records(case_id)] == [(SHA, len(DATA))]
    assert house.waiting.jobs == jobs
    assert len(jobs) == 1
    assert house.kept_keys("") == [blob_key(SHA)]
    assert house.portal.store.read(blob_key(SHA)) == DATA


def test_an_upload_that_lacks_a_byte_is_left_alone(house: House) -> None:
    case_id = house.case()
    upload_id = house.begin(case_id, len(DATA))
    house.bring(upload_id, DATA[:-1])
    finish_upload(house.portal, upload_id)
    assert finish_what_a_crash_left(house.portal) == 0
    assert house.records(case_id) == []
    assert state_of(house, upload_id) is UploadState.OPEN
    finish_upload(house.portal, "no such upload")


def test_many_who_finish_at_once_make_one_record(house: House) -> None:
    case_id = house.case()
    upload_id = whole(house, case_id)
    with ThreadPoolExecutor(6) as threads:
        list(threads.map(lambda _: finish_upload(house.portal, upload_id), range(12)))
    assert [r.sha256 for r in house.records(case_id)] == [SHA]
    assert house.kept_keys("") == [blob_key(SHA)]


def test_one_who_comes_late_to_finish_says_nothing(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another has finished, and removed the parts, between this one's look and its first byte."""
    case_id = house.case()
    upload_id = whole(house, case_id)
    together = finishing._put_together

    def late(*given: object) -> object:
        monkeypatch.setattr(finishing, "_put_together", together)
        finish_upload(house.portal, upload_id)
        return together(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(finishing, "_put_together", late)
    finish_upload(house.portal, upload_id)
    assert len(house.records(case_id)) == 1


@pytest.mark.parametrize("where", ["_put_together", "_keep_all", "_file_records"])
def test_a_host_that_dies_on_the_way_leaves_it_to_the_next(
    house: House, where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    case_id = house.case()
    upload_id = whole(house, case_id)

    def die(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as dying:
        dying.setattr(finishing, where, die)
        with pytest.raises(KeyboardInterrupt):
            finish_upload(house.portal, upload_id)
    assert state_of(house, upload_id) is UploadState.OPEN
    assert house.records(case_id) == []
    assert finish_what_a_crash_left(house.portal) == 1
    assert [r.sha256 for r in house.records(case_id)] == [SHA]
    assert finish_what_a_crash_left(house.portal) == 0


def test_a_host_that_dies_before_the_parts_go_leaves_them_to_be_swept(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    upload_id = whole(house, house.case())
    with monkeypatch.context() as dying:
        dying.setattr(type(house.portal.store), "forget", lambda *_: None)
        finish_upload(house.portal, upload_id)
    assert len(house.kept_keys("parts")) == 2
    house.clock.advance(GRACE.total_seconds() + 60)
    assert sweep(house.portal) == 2
    assert house.kept_keys("") == [blob_key(SHA)]


def test_one_that_cannot_be_finished_holds_up_no_other(house: House) -> None:
    cases = [house.case() for _ in range(3)]
    uploads = [whole(house, case_id, waves(60 + n, n=8)) for n, case_id in enumerate(cases)]
    with reading(house.portal, PORTAL) as work:
        lost = parts_of(work, uploads[0])[1].key
    house.portal.store.forget([lost])
    assert finish_what_a_crash_left(house.portal) == 2
    assert [len(house.records(case_id)) for case_id in cases] == [0, 1, 1]
    with pytest.raises((StoreBroken, FileNotFoundError)):
        finish_upload(house.portal, uploads[0])


def test_the_same_bytes_in_two_cases_lie_once(house: House) -> None:
    cases = [house.case(), house.case()]
    for case_id in cases:
        finish_upload(house.portal, whole(house, case_id))
    assert [[r.sha256 for r in house.records(c)] for c in cases] == [[SHA], [SHA]]
    assert house.kept_keys("") == [blob_key(SHA)]


def test_two_that_replace_the_same_record(house: House) -> None:
    case_id = house.case()
    first = house.record(case_id, waves(70, n=8))
    uploads = []
    for n in range(2):
        data = waves(71 + n, n=8)
        uploads.append(house.begin(case_id, len(data), replaces=first))
        house.bring(uploads[-1], data)
    finish_upload(house.portal, uploads[0])
    with pytest.raises(BadRequest, match="no such record to replace"):
        finish_upload(house.portal, uploads[1])
    assert state_of(house, uploads[1]) is UploadState.REFUSED
    assert sum(r.last_round is None for r in house.records(case_id)) == 1
    assert house.kept_keys("parts") == []


def test_a_person_whose_account_ended_adds_nothing(house: House) -> None:
    case_id = house.case()
    upload_id = whole(house, case_id)
    person = house.actors[CLINIC].person_id
    assert person is not None
    with writing(house.portal, house.actors[LAB]) as work:
        disable_person(work, person)
    with pytest.raises(BadRequest):
        finish_upload(house.portal, upload_id)
    assert house.records(case_id) == []
    assert house.kept_keys("parts") == []


def test_a_damaged_namesake_on_disk_is_replaced(house: House, tmp_path: Path) -> None:
    for damaged in (DATA[:-1], DATA[:-1] + b"!"):
        path = tmp_path / "file"
        path.write_bytes(damaged)
        house.portal.store.forget([blob_key(SHA)])
        house.portal.store.keep(path, blob_key(SHA))
        path.unlink()
        path.write_bytes(DATA)
        keep_blob(house.portal, path, SHA)
        assert house.portal.store.read(blob_key(SHA)) == DATA
        path.unlink()

"""What is cleared away, and what is not: nothing that anybody holds or is about to hold."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlmodel import select

from server.accounts.work import PORTAL, reading, writing
from server.cases.changing import remove_record
from server.uploads import finishing
from server.uploads.finishing import blob_key, finish_upload
from server.uploads.housekeeping import GRACE, forget_expired_uploads, forget_unheld_blobs, sweep
from server.uploads.tables import Blob, UploadState
from tests.portal.house import CLINIC, House, open_house
from tests.uploads.test_finishing import DATA, SHA, state_of, whole


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = open_house(tmp_path, upload_lifetime_s=3600)
    yield made
    made.portal.database.close()


def test_only_what_nobody_continued_is_forgotten(house: House) -> None:
    case_id = house.case()
    old, young = house.begin(case_id, len(DATA)), house.begin(case_id, len(DATA))
    done = whole(house, case_id)
    finish_upload(house.portal, done)
    house.bring(old, DATA[:100])
    house.clock.advance(3000)
    house.bring(young, DATA[:100])
    house.clock.advance(1000)
    assert forget_expired_uploads(house.portal) == 1
    assert [state_of(house, u) for u in (old, young, done)] == [None, UploadState.OPEN, UploadState.FINISHED]
    assert [young in key for key in house.kept_keys("parts")] == [True]
    house.clock.advance(timedelta(days=8).total_seconds())
    assert forget_expired_uploads(house.portal) == 2
    assert house.kept_keys("") == [blob_key(SHA)]
    assert len(house.records(case_id)) == 1


def test_a_sweep_takes_only_what_no_row_knows(house: House, tmp_path: Path) -> None:
    case_id = house.case()
    finish_upload(house.portal, whole(house, case_id))
    open_upload = house.begin(case_id, len(DATA))
    house.bring(open_upload, DATA[:100])
    known = house.kept_keys("")
    strangers = [blob_key("cd" * 32), f"parts/{open_upload}/000000000000100-x", "parts/gone/000-y"]
    for key in strangers:
        path = tmp_path / "file"
        path.write_bytes(b"left by a crash")
        house.portal.store.keep(path, key)
        path.unlink()
    house.portal.store.new_scratch().write_bytes(b"left by a crash")
    assert sweep(house.portal) == 0
    house.clock.advance(GRACE.total_seconds() + 60)
    assert sweep(house.portal) == 4
    assert house.kept_keys("") == known
    assert house.scratch_files() == []
    with reading(house.portal, PORTAL) as work:
        assert [blob.sha256 for blob in work.session.exec(select(Blob))] == [SHA]
    assert sweep(house.portal) == 0


def test_a_blob_is_forgotten_when_no_record_of_any_round_holds_it(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, DATA)
    with writing(house.portal, house.actors[CLINIC]) as work:
        remove_record(work, record_id)
    assert forget_unheld_blobs(house.portal, [SHA, "ef" * 32]) == 0
    with writing(house.portal, PORTAL) as work:
        work.session.delete(work.session.get_one(type(house.get(record_id)), record_id))
    assert forget_unheld_blobs(house.portal, [SHA]) == 1
    assert forget_unheld_blobs(house.portal, [SHA]) == 0
    assert house.kept_keys("") == []


@pytest.mark.parametrize("remove", [sweep, lambda portal: forget_unheld_blobs(portal, [SHA])])
def test_what_is_swept_while_the_same_bytes_arrive_is_kept_anew(
    house: House, remove: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The blob is found in the store, then swept as nobody's, and only then its row would be written."""
    case_id = house.case()
    upload_id = whole(house, case_id, cuts=())
    with monkeypatch.context() as dying:
        dying.setattr(finishing, "_file_records", _die)
        with pytest.raises(KeyboardInterrupt):
            finish_upload(house.portal, upload_id)
    with writing(house.portal, PORTAL) as work:
        if remove is not sweep:
            work.session.add(Blob(sha256=SHA, size_bytes=len(DATA), kept_at=work.now))
    house.clock.advance(GRACE.total_seconds() - 60)
    file_records = finishing._file_records

    def after_a_sweep(*given: object) -> None:
        house.clock.advance(120)
        assert remove(house.portal) >= 1  # type: ignore[operator]
        assert house.kept_keys("blobs") == []
        file_records(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(finishing, "_file_records", after_a_sweep)
    finish_upload(house.portal, upload_id)
    assert house.portal.store.read(blob_key(SHA)) == DATA
    assert [r.sha256 for r in house.records(case_id)] == [SHA]


def _die(*_: object) -> None:
    raise KeyboardInterrupt

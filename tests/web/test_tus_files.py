"""What arrives by upload: names, archives, quotas, and a disk that is full."""

from __future__ import annotations

import errno
import io
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from server.kit.file_store import StoreBroken
from server.uploads.finishing import finish_what_a_crash_left
from tests.portal.house import OTHER, House, open_house, waves
from tests.web.sending import DATA, SHA, Sender, code_of, parts_of


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    made = open_house(tmp_path_factory.mktemp("portal"))
    yield made
    made.portal.database.close()


@pytest.fixture
def sender(house: House) -> Sender:
    return Sender(house)


@pytest.fixture
def case_id(house: House) -> str:
    return house.case()


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../etc/passwd.stl", "passwd.stl"),
        ("..\\..\\windows\\jaw.stl", "jaw.stl"),
        ("jaw\r\nSet-Cookie: x=1.stl", "jawSet-Cookie x=1.stl"),
        ("jaw\0.stl", "jaw.stl"),
        ('"><script>alert(1)</script>.stl', "script .stl"),
        ("jaw\u202elts.stl", "jawlts.stl"),
        ("C:\\jaw.stl", "jaw.stl"),
        ("j" * 500 + ".stl", "j" * 116 + ".stl"),
        ("  .. jaw.stl", "jaw.stl"),
    ],
)
def test_names_are_made_harmless(sender: Sender, case_id: str, name: str, kept: str) -> None:
    answer = sender.begin(case=case_id, filename=name, role="jaw")
    assert answer.status_code == 201, answer.text
    assert "set-cookie" not in answer.headers
    sender.patch(answer.headers["location"], 0, DATA)
    assert [r.file_name for r in sender.house.records(case_id)] == [kept]
    sender.house.work_off()
    assert [r.measuring.value for r in sender.house.records(case_id)] == ["measured"]


@pytest.mark.parametrize("name", ["", "jaw", "jaw.exe", "jaw.stl.html", ".stl", "..", "a/b/", "jaw.svg"])
def test_other_kinds_of_files_are_refused(sender: Sender, case_id: str, name: str) -> None:
    assert code_of(sender.begin(case=case_id, filename=name)) == (415, "file-type")


def _zip(*members: tuple[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members:
            archive.writestr(name, data)
    return packed.getvalue()


def test_an_archive_becomes_its_files(sender: Sender, case_id: str) -> None:
    data = _zip(("scans/jaw.stl", DATA), ("scans/denture.stl", waves(2, n=12)), ("__MACOSX/x", b"?"))
    url = sender.begin(len(data), case=case_id, filename="all.zip").headers["location"]
    assert sender.patch(url, 0, data).status_code == 204
    kept = {r.file_name: (r.role, r.sha256) for r in sender.house.records(case_id)}
    assert sorted(kept) == ["denture.stl", "jaw.stl"]
    assert kept["jaw.stl"] == ("jaw", SHA)
    assert sender.house.scratch_files() == []


@pytest.mark.parametrize("member", ["../jaw.stl", "jaw.exe", "inner.zip"])
def test_an_archive_with_something_wrong_leaves_nothing(sender: Sender, case_id: str, member: str) -> None:
    before = sender.house.kept_keys("blobs")
    data = _zip(("good.stl", waves(3, n=8)), (member, DATA))
    url = sender.begin(len(data), case=case_id, filename="all.zip").headers["location"]
    assert 400 <= sender.patch(url, 0, data).status_code < 500
    assert sender.house.records(case_id) == []
    assert sender.house.kept_keys("blobs") == before
    assert parts_of(sender.house, url) == []
    assert sender.house.scratch_files() == []
    assert sender.patch(url, len(data)).status_code == 410


def test_a_clinic_at_its_quota_stops_and_another_goes_on(tmp_path: Path) -> None:
    house = open_house(tmp_path, clinic_quota_bytes=2 * len(DATA), clinic_quota_files=3)
    case_id, sender, other = house.case(), Sender(house), Sender(house, OTHER)
    first = sender.begin(case=case_id).headers["location"]
    assert sender.begin(case=case_id).status_code == 201
    assert code_of(sender.begin(1, case=case_id)) == (413, "quota")
    assert other.begin(case=house.case(OTHER)).status_code == 201
    sender.patch(first, 0, DATA)
    assert code_of(sender.begin(1, case=case_id)) == (413, "quota")
    house.portal.database.close()


def test_a_clinic_may_keep_so_many_files(tmp_path: Path) -> None:
    house = open_house(tmp_path, clinic_quota_files=2)
    case_id, sender = house.case(), Sender(house)
    urls = [sender.begin(case=case_id).headers["location"] for _ in range(2)]
    assert code_of(sender.begin(case=case_id)) == (413, "quota")
    assert sender.delete(urls[0]).status_code == 204
    assert sender.begin(case=case_id).status_code == 201
    house.portal.database.close()


def _no_room(*_: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def _broken(*_: object) -> None:
    raise StoreBroken("There is no room left for the file; nothing of it was kept.")


FULL_AT: dict[str, tuple[str, Callable[..., None]]] = {
    "opening a scratch file": ("server.uploads.resumable.open_new", _broken),
    "writing it": ("server.uploads.resumable.write_all", _broken),
    "making it durable": ("server.kit.file_store.sync_file", _no_room),
    "making its folder": ("server.kit.file_store._make_folders", _no_room),
    "naming it": ("server.kit.file_store.os.link", _no_room),
    "making its name durable": ("server.kit.file_store.sync_folder", _no_room),
}


@pytest.mark.parametrize("at", FULL_AT)
def test_a_full_disk_is_told_and_nothing_counts(
    sender: Sender, case_id: str, at: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = sender.begin(case=case_id, role="jaw").headers["location"]
    assert sender.patch(url, 0, DATA[:100]).status_code == 204
    with monkeypatch.context() as full:
        full.setattr(*FULL_AT[at])
        answer = sender.patch(url, 100, DATA[100:])
    assert code_of(answer) == (507, "store-broken")
    assert "no room left" in answer.json()["error"]["says"]
    assert sender.head(url).headers["upload-offset"] == "100"
    assert len(parts_of(sender.house, url)) == 1
    assert sender.house.scratch_files() == []
    assert sender.house.records(case_id) == []
    assert sender.patch(url, 100, DATA[100:]).status_code == 204
    assert [r.sha256 for r in sender.house.records(case_id)] == [SHA]


class _Tight(io.FileIO):
    """A file on a disk with little room: it takes what fits, says how much that was, and refuses only the next write."""

    room = 0

    def write(self, data: Any) -> int:
        if not self.room:
            _no_room()
        taken = super().write(bytes(data[: self.room])) or 0
        self.room -= taken
        return taken


def test_a_disk_that_takes_half_of_a_write_is_full(
    sender: Sender, case_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = sender.begin(case=case_id, role="jaw").headers["location"]

    def tight(path: Path) -> _Tight:
        file = _Tight(path, "wb")
        file.room = len(DATA) - 1
        return file

    with monkeypatch.context() as full:
        full.setattr("server.uploads.resumable.open_new", tight)
        assert code_of(sender.patch(url, 0, DATA)) == (507, "store-broken")
    assert sender.head(url).headers["upload-offset"] == "0"
    assert sender.house.records(case_id) == []


def test_no_room_for_putting_together_is_made_good_later(
    sender: Sender, case_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    urls = [sender.begin(case=case_id, role="jaw").headers["location"] for _ in range(2)]
    for url in urls:
        sender.patch(url, 0, DATA[:100])
        with monkeypatch.context() as full:
            full.setattr("server.uploads.finishing.write_all", _broken)
            assert code_of(sender.patch(url, 100, DATA[100:])) == (507, "store-broken")
            assert finish_what_a_crash_left(sender.house.portal) == 0
        assert sender.head(url).headers["upload-offset"] == str(len(DATA))
        assert sender.house.scratch_files() == []
    assert sender.house.records(case_id) == []
    assert sender.patch(urls[0], len(DATA)).status_code == 204
    assert [r.sha256 for r in sender.house.records(case_id)] == [SHA]
    assert finish_what_a_crash_left(sender.house.portal) == 1
    assert [r.sha256 for r in sender.house.records(case_id)] == [SHA, SHA]

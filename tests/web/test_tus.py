"""The resumable upload protocol, asked as a program would ask, over real tables and files.

Source of the expected answers: tus.io, resumable upload protocol 1.0.0, from memory; where it leaves a status open,
server/errors.py decides.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator

import pytest

from server.accounts.work import writing
from server.app import build_app
from server.cases.tables import CaseState
from server.cases.turns import withdraw
from tests.portal.house import CLINIC, LAB, OTHER, House, open_house
from tests.web.sending import DATA, PATH, SHA, Sender, code_of, parts_of


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    made = open_house(tmp_path_factory.mktemp("portal"), max_record_bytes=1_000_000, upload_lifetime_s=600)
    yield made
    made.portal.database.close()


@pytest.fixture
def sender(house: House) -> Sender:
    return Sender(house)


@pytest.fixture
def case_id(house: House) -> str:
    return house.case()


@pytest.fixture
def url(sender: Sender, case_id: str) -> str:
    return str(sender.begin(case=case_id).headers["location"])


def test_what_the_server_can_do_is_told(sender: Sender) -> None:
    answer = sender.client.options(PATH)
    assert answer.status_code == 204
    assert answer.headers["tus-version"] == "1.0.0"
    assert set(answer.headers["tus-extension"].split(",")) == {"creation", "expiration", "termination"}
    assert answer.headers["tus-max-size"] == "1000000"


def test_an_upload_in_parts_becomes_one_record(sender: Sender, case_id: str, url: str) -> None:
    assert sender.head(url).headers["upload-offset"] == "0"
    offset = 0
    for size in (1, 4_000, len(DATA) - 4_001):
        answer = sender.patch(url, offset, DATA[offset : offset + size])
        offset += size
        assert (answer.status_code, answer.headers["upload-offset"]) == (204, str(offset))
    stands = sender.head(url).headers
    assert (stands["upload-offset"], stands["upload-length"]) == (str(len(DATA)), str(len(DATA)))
    assert stands["cache-control"] == "no-store"
    (record,) = sender.house.records(case_id)
    assert (record.sha256, record.size_bytes, record.file_name) == (SHA, len(DATA), "jaw.stl")
    assert sender.house.portal.store.read(f"blobs/{SHA[:2]}/{SHA[2:4]}/{SHA}") == DATA
    assert parts_of(sender.house, url) == []
    assert sender.house.scratch_files() == []


def test_a_part_that_comes_again_after_the_end_makes_no_second_record(
    sender: Sender, case_id: str, url: str
) -> None:
    sender.patch(url, 0, DATA)
    assert code_of(sender.patch(url, 0, DATA)) == (409, "upload-offset")
    assert sender.patch(url, len(DATA)).status_code == 204
    assert code_of(sender.patch(url, len(DATA), b"x")) == (413, "too-large")
    assert len(sender.house.records(case_id)) == 1


@pytest.mark.parametrize("offset", [1, 99, 101, len(DATA)])
def test_a_part_for_another_place_is_refused(sender: Sender, url: str, offset: int) -> None:
    sender.patch(url, 0, DATA[:100])
    assert code_of(sender.patch(url, offset, DATA[offset:])) == (409, "upload-offset")
    assert sender.head(url).headers["upload-offset"] == "100"
    assert len(parts_of(sender.house, url)) == 1


@pytest.mark.parametrize("offset", ["", "-1", "1.0", "ten", "٣", "1" * 16, "0x10"])
def test_an_offset_that_is_no_number(sender: Sender, url: str, offset: str) -> None:
    sent = sender.headers | {"Content-Type": "application/offset+octet-stream"}
    headers = [(k.encode(), v.encode()) for k, v in sent.items()] + [(b"Upload-Offset", offset.encode())]
    assert code_of(sender.client.patch(url, content=DATA, headers=headers)) == (400, "upload-header")


@pytest.mark.parametrize("kind", ["application/octet-stream", "text/plain", ""])
def test_a_part_of_another_type(sender: Sender, url: str, kind: str) -> None:
    assert code_of(sender.patch(url, 0, DATA, **{"Content-Type": kind})) == (415, "upload-part-type")
    assert sender.head(url).headers["upload-offset"] == "0"


@pytest.mark.parametrize("version", ["", "0.2.2", "1.0.1"])
def test_another_version_of_the_protocol(sender: Sender, case_id: str, url: str, version: str) -> None:
    sender.headers["Tus-Resumable"] = version
    answers = [sender.begin(case=case_id), sender.patch(url, 0, DATA), sender.delete(url)]
    assert [code_of(a) for a in answers] == [(412, "upload-version")] * 3
    assert sender.head(url).status_code == 412


def test_more_than_was_announced_is_refused_whole(sender: Sender, case_id: str, url: str) -> None:
    assert code_of(sender.patch(url, 0, DATA + b"x")) == (413, "too-large")
    assert sender.head(url).headers["upload-offset"] == "0"
    assert parts_of(sender.house, url) == []
    assert sender.house.scratch_files() == []
    assert sender.house.records(case_id) == []


@pytest.mark.parametrize(
    ("length", "answer"),
    [
        (0, (422, "empty-file")),
        (1_000_001, (413, "too-large")),
        (-1, (400, "upload-header")),
        ("many", (400, "upload-header")),
        ("9" * 16, (400, "upload-header")),
    ],
)
def test_lengths_that_are_not_taken(
    sender: Sender, case_id: str, length: object, answer: tuple[int, str]
) -> None:
    assert code_of(sender.begin(length, case=case_id)) == answer


def test_zero_bytes_change_nothing(sender: Sender, case_id: str, url: str) -> None:
    answer = sender.patch(url, 0, b"")
    assert (answer.status_code, answer.headers["upload-offset"]) == (204, "0")
    assert parts_of(sender.house, url) == []
    assert sender.house.records(case_id) == []


def test_a_wrong_checksum_is_refused_for_good(sender: Sender, case_id: str) -> None:
    url = sender.begin(case=case_id, sha256="0" * 64).headers["location"]
    assert code_of(sender.patch(url, 0, DATA)) == (460, "checksum")
    assert sender.house.records(case_id) == []
    assert parts_of(sender.house, url) == []
    assert code_of(sender.patch(url, len(DATA))) == (410, "upload-over")


def test_a_right_checksum_in_capitals_is_taken(sender: Sender, case_id: str) -> None:
    url = sender.begin(case=case_id, sha256=SHA.upper()).headers["location"]
    assert sender.patch(url, 0, DATA).status_code == 204
    assert [r.sha256 for r in sender.house.records(case_id)] == [SHA]


@pytest.mark.parametrize(
    "said",
    [{"sha256": "f" * 63}, {"sha256": "g" * 64}, {"body": "x" * 201}, {"body": "a\0b"}, {"body": "a\nb"}],
)
def test_what_could_not_be_kept_is_refused_before_the_first_byte(
    sender: Sender, case_id: str, said: dict[str, str]
) -> None:
    assert code_of(sender.begin(case=case_id, **said)) == (400, "upload-said")


@pytest.mark.parametrize("said", [{"role": "molar"}, {"unit": "inch-ish"}])
def test_words_that_mean_nothing(sender: Sender, case_id: str, said: dict[str, str]) -> None:
    assert code_of(sender.begin(case=case_id, **said)) == (400, "upload-header")


@pytest.mark.parametrize("header", ["filename !!!", "filename", "filename /w==", "x" * 10])
def test_metadata_that_cannot_be_read(sender: Sender, header: str) -> None:
    headers = sender.headers | {"Upload-Length": "10", "Upload-Metadata": header}
    assert 400 <= sender.client.post(PATH, headers=headers).status_code < 500


def test_another_clinics_upload_is_an_unknown_one(sender: Sender, case_id: str, url: str) -> None:
    none = f"{PATH}/{'0' * 24}"
    for stranger in (Sender(sender.house, OTHER), Sender(sender.house, LAB)):
        assert stranger.head(url).status_code == stranger.head(none).status_code == 404
        for theirs, missing in (
            (stranger.patch(url, 0, DATA), stranger.patch(none, 0, DATA)),
            (stranger.delete(url), stranger.delete(none)),
        ):
            answers = [a.json()["error"] | {"request_id": ""} for a in (theirs, missing)]
            assert theirs.status_code == missing.status_code == 404
            assert answers[0] == answers[1]
    other = Sender(sender.house, OTHER)
    assert code_of(other.begin(case=case_id)) == code_of(other.begin(case="0" * 24)) == (404, "case-unknown")
    assert code_of(Sender(sender.house, LAB).begin(case=case_id)) == (403, "not-yours")
    assert sender.head(url).headers["upload-offset"] == "0"


def test_nobody_sends_without_a_token(sender: Sender, case_id: str, url: str) -> None:
    sender.headers["Authorization"] = "Bearer archproof_guessed"
    assert code_of(sender.begin(case=case_id)) == (401, "not-signed-in")
    assert code_of(sender.patch(url, 0, DATA)) == (401, "not-signed-in")
    assert code_of(sender.delete(url)) == (401, "not-signed-in")


def test_an_expired_upload_is_over(sender: Sender, case_id: str, url: str) -> None:
    sender.patch(url, 0, DATA[:100])
    sender.house.clock.advance(599)
    assert sender.head(url).status_code == 200
    sender.house.clock.advance(2)
    assert sender.head(url).status_code == 410
    assert code_of(sender.patch(url, 100, DATA[100:])) == (410, "upload-over")
    assert sender.house.records(case_id) == []


def test_an_upload_given_up_is_gone(sender: Sender, url: str) -> None:
    sender.patch(url, 0, DATA[:100])
    assert sender.delete(url).status_code == 204
    assert sender.head(url).status_code == 404
    assert parts_of(sender.house, url) == []


def test_a_case_that_is_over_takes_nothing(sender: Sender, case_id: str, url: str) -> None:
    with writing(sender.house.portal, sender.house.actors[CLINIC]) as work:
        withdraw(work, case_id)
    assert sender.house.get_case(case_id).state is CaseState.WITHDRAWN
    assert code_of(sender.begin(case=case_id)) == (409, "wrong-turn")
    assert code_of(sender.patch(url, 0, DATA)) == (409, "wrong-turn")
    assert sender.house.records(case_id) == []
    assert parts_of(sender.house, url) == []


def test_of_two_parts_at_once_one_is_kept(sender: Sender, case_id: str, url: str) -> None:
    gate = threading.Barrier(4)
    answers: list[int] = []

    def send() -> None:
        one = Sender(sender.house)
        gate.wait()
        answers.append(one.patch(url, 0, DATA).status_code)

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == [204, 409, 409, 409]
    assert [r.sha256 for r in sender.house.records(case_id)] == [SHA]
    assert parts_of(sender.house, url) == []
    assert sender.house.scratch_files() == []


def _broken_line(house: House, url: str, offset: int, sent: bytes) -> None:
    """A request whose line is lost after these bytes, as the server's own interface tells it."""
    words = {"Content-Type": "application/offset+octet-stream", "Upload-Offset": str(offset)}
    headers = Sender(house).headers | words | {"Content-Length": str(len(DATA) - offset)}
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "PATCH",
        "scheme": "http",
        "path": url,
        "raw_path": url.encode(),
        "query_string": b"",
        "root_path": "",
        "headers": [(k.lower().encode(), v.encode()) for k, v in headers.items()],
        "client": ("127.0.0.1", 1),
        "server": ("testserver", 80),
        "state": {},
    }
    coming: Iterator[dict[str, object]] = iter(
        [{"type": "http.request", "body": sent, "more_body": True}, *[{"type": "http.disconnect"}] * 9]
    )

    async def receive() -> dict[str, object]:
        return next(coming)

    async def send(_message: object) -> None:
        return None

    asyncio.run(build_app(house.portal)(scope, receive, send))


def test_a_line_lost_in_the_middle_keeps_what_came(sender: Sender, case_id: str, url: str) -> None:
    _broken_line(sender.house, url, 0, DATA[:777])
    assert sender.head(url).headers["upload-offset"] == "777"
    assert sender.patch(url, 777, DATA[777:]).status_code == 204
    assert [r.sha256 for r in sender.house.records(case_id)] == [SHA]


def test_a_line_lost_after_the_last_byte_still_makes_the_record(
    sender: Sender, case_id: str, url: str
) -> None:
    sender.patch(url, 0, DATA[:500])
    _broken_line(sender.house, url, 500, DATA[500:])
    assert [r.sha256 for r in sender.house.records(case_id)] == [SHA]

"""kill -9 of a real portal in the middle of its work: what was acknowledged is there afterwards, once, and goes on."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

import httpx
import pytest

from server.web.receiving import BLOCK_BYTES
from tests.portal.house import waves
from tests.portal.running import CLINIC, LAB, Running, catch, is_running, open_running, wait_for

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
PIECE = 400_000
BIG = 16 * 1024 * 1024
WORDS = "Please scan the left side again."


class Sent:
    """A file on its way into a case of its own."""

    def __init__(self, running: Running, data: bytes, role: str = "") -> None:
        self.running, self.data, self.offset = running, data, 0
        self.case_id = running.new_case()
        self.path = running.begin(self.case_id, data, "scan.stl", role)

    def bring(self, part: bytes) -> None:
        answer = self.running.patch(self.path, self.offset, part)
        assert answer.status_code == 204, answer.text
        self.offset += len(part)

    def row(self, column: str) -> object:
        return self.running.one(f"select {column} from uploads where id = ?", self.path.rpartition("/")[2])

    def state(self) -> str:
        return str(self.running.one("select state from cases where id = ?", self.case_id))


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    made = open_running(tmp_path_factory.mktemp("portal"), job_poll_s="0.3")
    made.start()
    yield made
    made.close()


def test_killed_between_two_parts_and_in_the_middle_of_one(running: Running) -> None:
    between, middle = Sent(running, waves(10, 100)), Sent(running, waves(11, 250))
    is_dead, was_on_disk = threading.Event(), running.scratch_bytes()
    for one in (between, middle):
        one.bring(one.data[:PIECE])
    cut = PIECE + 2 * BLOCK_BYTES

    def slowly() -> Iterator[bytes]:
        yield middle.data[PIECE:cut]
        is_dead.wait(60)
        yield middle.data[cut:]

    with ThreadPoolExecutor(1) as threads:
        cut_off = threads.submit(running.patch, middle.path, PIECE, slowly())
        catch(lambda: running.scratch_bytes() >= was_on_disk + BLOCK_BYTES)
        running.kill()
        is_dead.set()
        with pytest.raises(httpx.TransportError):
            cut_off.result()
    running.start()
    for one in (between, middle):
        assert running.offset(one.path) == PIECE
        assert running.rows("select 1 from records where case_id = ?", one.case_id) == []
        one.offset = PIECE
        one.bring(one.data[PIECE:])
        assert running.is_kept_once(one.case_id, one.data)
    assert running.rows("select 1 from upload_parts") == []


def test_killed_when_all_has_come_and_no_record_is_made_of_it(running: Running) -> None:
    """On a machine where the record is made before the kill comes, once more."""
    for _ in range(5):
        last = Sent(running, os.urandom(BIG))
        last.bring(last.data[: BIG // 2])
        with ThreadPoolExecutor(1) as threads:
            sending = threads.submit(running.patch, last.path, BIG // 2, last.data[BIG // 2 :])
            catch(lambda: last.row("offset_bytes") == BIG)  # noqa: B023
            running.kill()
            with suppress(httpx.TransportError):
                sending.result()
        is_between = last.row("state") == "open"
        running.start()
        assert running.offset(last.path) == BIG
        assert running.is_kept_once(last.case_id, last.data)
        assert running.patch(last.path, BIG, b"").status_code == 204
        assert running.is_kept_once(last.case_id, last.data)
        assert running.rows("select 1 from upload_parts") == []
        if is_between:
            break
    assert is_between


def test_killed_while_a_child_measures(running: Running) -> None:
    """The portal's process alone is killed: its children, busy and stopped, go by themselves."""
    warm = Sent(running, waves(19, n=20), "jaw")
    warm.bring(warm.data)
    _assert_measured_and_judged_once(running, warm.case_id, warm.data)
    case_id, data = running.new_case(), waves(20, n=100)
    record_id = running.send(case_id, data, "jaw.stl", "jaw")
    children = _held_while_measuring(running, record_id)
    running.kill(whole_group=False)
    wait_for(lambda: not any(map(is_running, children)), 10)
    running.start()
    _assert_measured_and_judged_once(running, case_id, data)


def test_killed_between_measuring_and_judging(running: Running) -> None:
    """The judge looks for work every 0.3 s, so there is time to kill; on a machine that sleeps through it, once more."""
    for attempt in range(3):
        case_id, data = running.new_case(), waves(30 + attempt, n=20)
        record_id = running.send(case_id, data, "jaw.stl", "jaw")
        wait_for(lambda: _measuring(running, record_id) != "waiting")  # noqa: B023
        catch(lambda: _measuring(running, record_id) == "measured")  # noqa: B023
        running.kill()
        is_between = running.one("select count(*) from judgements where case_id = ?", case_id) == 0
        made = "select key, at from measurements where about = (select sha256 from records where id = ?) order by key"
        before = running.rows(made, record_id)
        running.start()
        if is_between:
            break
    assert is_between
    _assert_measured_and_judged_once(running, case_id, data)
    assert running.rows(made, record_id) == before != []


def test_a_killed_child_costs_its_record_nothing(running: Running) -> None:
    case_id, data, server = running.new_case(), waves(40, n=100), running.pid
    record_id = running.send(case_id, data, "jaw.stl", "jaw")
    (child,) = _held_while_measuring(running, record_id)
    os.kill(child, signal.SIGKILL)
    assert httpx.get(f"{running.url}/sign-in").status_code == 200
    _assert_measured_and_judged_once(running, case_id, data)
    assert running.pid == server
    assert is_running(server)
    assert "file/too-heavy" not in running.judged_rules(case_id)
    wait_for(lambda: len(running.children()) == 1)


def test_killed_while_one_case_is_sent_and_another_comes_back(running: Running) -> None:
    """Each is done or not done; what was done cannot be done again, what was not can."""
    going, coming = (Sent(running, waves(50 + n, n=20), "jaw") for n in range(2))
    for one in (going, coming):
        one.bring(one.data)
    assert running.post(CLINIC, f"/cases/{coming.case_id}/submit").status_code == 303
    _killed_while(
        running,
        lambda: running.post(CLINIC, f"/cases/{going.case_id}/submit"),
        lambda: running.post(LAB, f"/cases/{coming.case_id}/return", says=WORDS),
    )
    sent = running.rows(
        "select number, submitted_at is not null from rounds where case_id = ?", going.case_id
    )
    state = going.state()
    assert (state, sent) in (("collecting", [(1, 0)]), ("with-lab", [(1, 1)]))
    again = running.post(CLINIC, f"/cases/{going.case_id}/submit").status_code
    assert again == (409 if state == "with-lab" else 303)

    told = running.one("select count(*) from messages where case_id = ?", coming.case_id)
    state = coming.state()
    assert (state, told) in (("with-lab", 0), ("with-clinic", 1))
    again = running.post(LAB, f"/cases/{coming.case_id}/return", says=WORDS).status_code
    assert again == (409 if state == "with-clinic" else 303)

    assert (going.state(), coming.state()) == ("with-lab", "with-clinic")
    assert running.one("select count(*) from messages where case_id = ?", coming.case_id) == 1
    assert (_audited(going, "case.submit"), _audited(coming, "case.return")) == (1, 1)
    for one in (going, coming):
        _assert_measured_and_judged_once(running, one.case_id, one.data)


def _measuring(running: Running, record_id: str) -> str:
    return str(running.one("select measuring from records where id = ?", record_id))


def _hold(children: set[int]) -> None:
    """Stops the children, so that what they have in hand stays in hand."""
    for child in children:
        os.kill(child, signal.SIGSTOP)


def _held_while_measuring(running: Running, record_id: str) -> set[int]:
    """The children, stopped while they have the record in hand."""
    catch(lambda: _measuring(running, record_id) == "measuring" and bool(running.children()))
    children = running.children()
    _hold(children)
    assert _measuring(running, record_id) == "measuring"
    return children


def _killed_while(running: Running, *deeds: Callable[[], httpx.Response]) -> None:
    """Does them at once, kills at the first sign of one of them, without waiting for an answer, and starts again."""
    running.browser(CLINIC), running.browser(LAB)
    newest = "select max(id) from audit_entries"
    before = running.one(newest)
    with ThreadPoolExecutor(len(deeds)) as threads:
        asked = [threads.submit(deed) for deed in deeds]
        with suppress(AssertionError):
            catch(lambda: running.one(newest) != before, 5.0)
        running.kill()
        for deed in asked:
            with suppress(httpx.TransportError):
                deed.result()
    running.start()


def _audited(sent: Sent, action: str) -> int:
    query = "select count(*) from audit_entries where object_id = ? and action = ?"
    return int(sent.running.one(query, sent.case_id, action))


def _assert_measured_and_judged_once(running: Running, case_id: str, data: bytes) -> None:
    """Once while the round is open, and at most once more when it is handed over with nothing but that changed."""
    wait_for(lambda: running.is_at_rest(case_id))
    assert running.is_kept_once(case_id, data)
    assert running.one("select measuring from records where case_id = ?", case_id) == "measured"
    sha256 = running.one("select sha256 from records where case_id = ?", case_id)
    made = [name for (name,) in running.rows("select measure from measurements where about = ?", sha256)]
    assert len(made) == len(set(made)) > 0
    assert running.one("select count(distinct fingerprint) from judgements where case_id = ?", case_id) == 1
    handed_over = running.one(
        "select count(*) from rounds where case_id = ? and submitted_at not null", case_id
    )
    assert running.one("select count(*) from judgements where case_id = ?", case_id) <= 1 + handed_over
    assert running.rows("select status from workflow_status where status not in ('SUCCESS')") == []

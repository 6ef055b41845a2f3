"""A notice outlives the process that wrote it, on a real portal that is killed: it is sent by the next one, once."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.notices.receivers import PostOffice, post_office, text_of
from tests.portal.house import CLINIC, LAB, waves
from tests.portal.running import Running, open_running, wait_for

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")


@pytest.fixture
def office() -> Iterator[PostOffice]:
    with post_office() as made:
        yield made


@pytest.fixture
def running(tmp_path: Path, office: PostOffice) -> Iterator[Running]:
    """A portal that takes no jobs as yet."""
    made = open_running(
        tmp_path,
        job_poll_s="0.3",
        run_worker="false",
        smtp_url=f"smtp://127.0.0.1:{office.port}",
        mail_from="portal@lab.example",
    )
    made.settings["public_url"] = made.url
    made.start()
    yield made
    made.close()


def give_back(running: Running) -> str:
    case_id = running.new_case()
    running.send(case_id, waves(1, n=10), "jaw.stl", "jaw")
    for who, deed, words in ((CLINIC, "submit", None), (LAB, "return", {"text": "Please scan again."})):
        answer = httpx.post(
            f"{running.url}/api/v1/cases/{case_id}/{deed}",
            headers={"Authorization": f"Bearer {running.tokens[who]}"},
            json=words,
            timeout=60,
        )
        assert answer.status_code == 200, answer.text
    return case_id


def is_sent(running: Running) -> bool:
    waiting = running.one("select count(*) from workflow_status where status in ('PENDING', 'ENQUEUED')")
    states = running.rows("select state, tries from notices")
    return states == [("sent", 1)] and waiting == 0


def test_killed_after_the_return_the_mail_goes_out_once(running: Running, office: PostOffice) -> None:
    case_id = give_back(running)
    running.kill()
    assert running.rows("select state, tries from notices") == [("waiting", 0)]
    assert office.taken == []
    running.settings["run_worker"] = "true"
    running.start()
    wait_for(lambda: is_sent(running))
    running.restart()
    wait_for(lambda: is_sent(running))
    (mail,) = office.taken
    assert mail["To"] == CLINIC
    assert f"{running.url}/cases/{case_id}" in text_of(mail)

"""Nothing of a person in anything that leaves the house, nor on the way there: a canary in every field that people fill,
a return and a release sent, and the mails, the events, the logs, the outbox and the job tables searched for it."""

from __future__ import annotations

import base64
import io
import logging
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import structlog
from sqlmodel import SQLModel

from server.accounts.tables import Person
from server.accounts.work import PORTAL, writing
from server.cases.changing import change_form
from server.cases.turns import submit
from server.kit.jobs import DurableQueue, prepare_job_tables
from server.kit.logs import configure_logs
from server.records.case_form import CaseForm
from server.review.deciding import return_case
from tests.notices.house import give_back, hook, let_go, notices, reaching, send, with_mail
from tests.notices.receivers import post_office, receiving, text_of
from tests.portal.house import CLINIC, LAB, House, waves
from tests.rules.good_set import GOOD_FORM

CODE, FILE, WORDS = "NIGHTJAR-7", "nightjar jaw.stl", "Mr Nightjar must be scanned again."


@pytest.fixture
def log_lines(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], str]]:
    """Every line that was logged, as the portal logs it."""
    handlers, level = logging.getLogger().handlers, logging.getLogger().level
    lines = io.StringIO()
    with monkeypatch.context() as while_configured:
        while_configured.setattr("sys.stderr", lines)
        configure_logs("DEBUG")
    yield lines.getvalue
    structlog.reset_defaults()
    logging.getLogger().handlers = handlers
    logging.getLogger().setLevel(level)


def test_no_canary_gets_out(tmp_path: Path, log_lines: Callable[[], str]) -> None:
    with post_office() as office, receiving() as receiver:
        house = reaching(with_mail(tmp_path, office), receiver)
        for who in (CLINIC, LAB):
            hook(house, receiver, who)
        _rename(house)
        receiver.statuses, office.to_mail = [200, 500, 410], ["451 Nightjar is full"]
        _deeds(house)
        outbox = [n.model_dump() for n in notices(house)]
    assert len(receiver.arrived) == 4
    assert len(office.taken) == 1
    sent = [bytes(a.body).decode() + str(a.headers) + a.path for a in receiver.arrived]
    sent += [text_of(m) + str(m) for m in office.taken]
    for text in (*sent, str(outbox), log_lines()):
        assert text
        assert "nightjar" not in text.casefold()
    for text in (*(bytes(a.body).decode() for a in receiver.arrived), str(outbox)):
        assert "@" not in text
        assert "Weir" not in text


def _rename(house: House) -> None:
    with writing(house.portal, PORTAL) as work:
        person = work.session.get_one(Person, house.actors[CLINIC].person_id)
        person.name = "Nora Nightjar"


def _deeds(house: House) -> None:
    form = CaseForm.model_validate({**GOOD_FORM, "patient_code": CODE, "notes": WORDS, "records": []})
    case_id = house.case()
    with writing(house.portal, house.actors[CLINIC]) as work:
        change_form(work, case_id, form)
    house.record(case_id, waves(1, n=10), name=FILE)
    with writing(house.portal, house.actors[CLINIC]) as work:
        submit(work, case_id)
    house.waiting.jobs.clear()
    with writing(house.portal, house.actors[LAB]) as work:
        return_case(work, case_id, WORDS)
    send(house)
    let_go(house)
    send(house)


def test_a_job_names_a_notice_and_nothing_else(tmp_path: Path) -> None:
    """In the job engine's own tables, as they lie on disk."""
    with post_office() as office:
        house = with_mail(tmp_path, office)
        prepare_job_tables(house.portal.settings.database)
        queue = DurableQueue(house.portal.settings.database)
        case_id = give_back(house)
        (notice,) = notices(house)
        with house.portal.database.writing() as session:
            for job, argument in house.waiting.jobs:
                queue.enqueue(session, job, argument)
        queue.close()
    base = sqlite3.connect(tmp_path / "archproof.db")
    tables = {name for (name,) in base.execute("select name from sqlite_master where type = 'table'")}
    engines = sorted(tables - set(SQLModel.metadata.tables))
    rows = [str(v) for table in engines for row in base.execute(f"select * from {table}") for v in row]
    base.close()
    kept = "".join(rows) + "".join(_unpacked(value) for value in rows)
    assert notice.id in kept
    for private in (case_id, CLINIC, house.actors[CLINIC].person_id or "", "Canary", "R-"):
        assert private not in kept


def _unpacked(value: str) -> str:
    """What a value holds in base64, where it does; the engine keeps arguments so."""
    try:
        return base64.b64decode(value, validate=True).decode("latin-1")
    except ValueError:
        return ""

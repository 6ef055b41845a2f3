"""A portal of two clinics and a lab on real tables and files, in this process, whose jobs run when a test says so."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
from sqlmodel import Session, select

from server.accounts.passwords import hash_password
from server.accounts.people import actor_of, add_organisation, add_person
from server.accounts.tables import OrganisationKind, Person, PersonRole
from server.accounts.tokens import add_token
from server.accounts.work import PORTAL, Actor, reading, writing
from server.app import work_of
from server.cases.changing import ArrivedFile, add_record
from server.cases.tables import Case, Record
from server.cases.turns import open_case
from server.errors import ArchproofError
from server.inspection import tables as _tables  # noqa: F401 - known to the database before it is opened
from server.inspection.tables import Judgement, KeptMeasurement
from server.inspection.too_heavy import Run
from server.kit.clock import SetClock
from server.kit.database import Database
from server.kit.file_store import FileStore
from server.kit.jobs import Job
from server.kit.portal import Portal
from server.kit.schema import upgrade_schema
from server.kit.settings import Settings
from server.measures.measure import Measurement
from server.notices.webhooks import own_webhooks, register, remove
from server.records.case_form import CaseForm
from server.records.roles import Role, Unit
from server.uploads.finishing import keep_blob, note_blob
from server.uploads.resumable import NewUpload, create_upload, keep_part, open_part
from tests.measures.files import stl
from tests.rules.good_set import GOOD_FORM

PASSWORD = "a weir below the mill"
CLINIC, OTHER, LAB = "ada@weir.example", "otto@quay.example", "imke@arches.example"


@dataclass
class Waiting:
    """A job queue that keeps what it is given until a test runs it."""

    jobs: list[tuple[Job, str]] = field(default_factory=list)

    def enqueue(self, session: Session, job: Job, argument: str) -> None:
        self.jobs.append((job, argument))


def here(function: Callable[..., tuple[Measurement, ...]], *arguments: object) -> tuple[Measurement, ...]:
    """Measures in this process."""
    return function(*arguments)


@dataclass
class House:
    portal: Portal
    clock: SetClock
    waiting: Waiting
    actors: Mapping[str, Actor]
    tokens: Mapping[str, str]

    def with_store(self, store: FileStore) -> House:
        """The same house over another file store."""
        return replace(self, portal=replace(self.portal, store=store))

    def case(self, who: str = CLINIC) -> str:
        form = CaseForm.model_validate({**GOOD_FORM, "records": []})
        with writing(self.portal, self.actors[who]) as work:
            return open_case(work, form).id

    def webhook(self, who: str = CLINIC) -> str:
        """A new webhook of that person's organisation; it takes the place of the one before."""
        with writing(self.portal, self.actors[who]) as work:
            for webhook in own_webhooks(work):
                remove(work, webhook.id)
        return register(self.portal, self.actors[who], "https://93.184.216.34/archproof").id

    def begin(self, case_id: str, size_bytes: int, name: str = "jaw.stl", replaces: str | None = None) -> str:
        """A new upload of the clinic's."""
        with writing(self.portal, self.actors[CLINIC]) as work:
            return create_upload(
                work, case_id, NewUpload(name, size_bytes, unit=Unit.MM, replaces=replaces)
            ).id

    def bring(self, upload_id: str, data: bytes, offset: int = 0) -> int:
        """Brings one part, and does not finish; the new offset."""
        with self.portal.store.scratch() as path:
            part = open_part(self.portal, self.actors[CLINIC], upload_id, offset, path)
            part.write(data)
            return keep_part(self.portal, self.actors[CLINIC], part)

    def record(self, case_id: str, data: bytes, role: Role | None = Role.JAW, name: str = "jaw.stl") -> str:
        """A record that has arrived."""
        sha256 = hashlib.sha256(data).hexdigest()
        with self.portal.store.scratch() as path:
            path.write_bytes(data)
            keep_blob(self.portal, path, sha256)
        with writing(self.portal, self.actors[CLINIC]) as work:
            note_blob(work, sha256, len(data))
            return add_record(work, case_id, ArrivedFile(name, sha256, len(data), role, Unit.MM)).id

    def records(self, case_id: str) -> list[Record]:
        with reading(self.portal, PORTAL) as work:
            return list(work.session.exec(select(Record).where(Record.case_id == case_id)))

    def get(self, record_id: str) -> Record:
        with reading(self.portal, PORTAL) as work:
            return work.session.get_one(Record, record_id)

    def get_case(self, case_id: str) -> Case:
        with reading(self.portal, PORTAL) as work:
            return work.session.get_one(Case, case_id)

    def judgements(self, case_id: str) -> list[Judgement]:
        with reading(self.portal, PORTAL) as work:
            return list(work.session.exec(select(Judgement).where(Judgement.case_id == case_id)))

    def measurements(self) -> list[KeptMeasurement]:
        with reading(self.portal, PORTAL) as work:
            return list(work.session.exec(select(KeptMeasurement)))

    def work_off(self, run: Run = here) -> list[tuple[str, str]]:
        """Runs the jobs that wait and those they ask for, once each, and gives up what fails; what was run, in order."""
        done = []
        doing = work_of(self.portal, run)
        while self.waiting.jobs:
            job, argument = self.waiting.jobs.pop(0)
            try:
                doing[job].run(argument)
            except (ArchproofError, OSError):
                give_up = doing[job].give_up
                if give_up is None:
                    raise
                give_up(argument)
            done.append((job.name, argument))
        return done

    def kept_keys(self, prefix: str) -> list[str]:
        """Every key that lies in the store under a prefix."""
        return sorted(self.portal.store.keys_older_than(prefix, datetime.max.replace(tzinfo=UTC)))

    def scratch_files(self) -> list[Path]:
        return list(self.portal.store.scratch_dir.iterdir())


@cache
def password_hash() -> str:
    return hash_password(PASSWORD)


def open_house(folder: Path, **settings: object) -> House:
    """A fresh house in the folder."""
    chosen = Settings.model_validate({"data_dir": folder, "run_worker": False, **settings})
    folder.mkdir(parents=True, exist_ok=True)
    database = Database(chosen.database)
    upgrade_schema(database)
    clock, waiting = SetClock(datetime.now(UTC)), Waiting()
    store = FileStore(chosen.store, chosen.scratch_dir)
    portal = Portal(chosen, database, store, waiting, clock.clock)
    add_people(portal)
    actors = {email: _actor(portal, email) for email in (CLINIC, OTHER, LAB)}
    return House(portal, clock, waiting, actors, {e: _token(portal, a) for e, a in actors.items()})


def add_people(portal: Portal) -> None:
    with writing(portal, PORTAL) as work:
        lab = add_organisation(work, OrganisationKind.LAB, "Arches & Sons")
        weir = add_organisation(work, OrganisationKind.CLINIC, "Weir Lane Dental")
        quay = add_organisation(work, OrganisationKind.CLINIC, "Quay Side")
        work.session.flush()
        add_person(work, weir, PersonRole.CLINIC, CLINIC, "Ada Brandt", password_hash())
        add_person(work, quay, PersonRole.CLINIC, OTHER, "Otto Vane", password_hash())
        add_person(work, lab, PersonRole.ADMINISTRATOR, LAB, "Imke Sorel", password_hash())


def _actor(portal: Portal, email: str) -> Actor:
    with reading(portal, PORTAL) as work:
        person = work.session.exec(select(Person).where(Person.email == email)).one()
        actor = actor_of(work, person.id)
    assert actor is not None
    return actor


def _token(portal: Portal, actor: Actor) -> str:
    with writing(portal, actor) as work:
        return add_token(work, "Test", days=1)[1]


def waves(seed: int, n: int = 40) -> bytes:
    """Binary STL of a wavy sheet of 2 n² triangles, another one for every seed."""
    phase = np.random.default_rng(seed).uniform(0, 6, 4)
    grid = np.arange(n + 1) * 0.3
    x, y = np.meshgrid(grid, grid, indexing="ij")
    z = np.sin(0.9 * x + phase[0]) + np.cos(0.7 * y + phase[1]) + 0.3 * np.sin(x * y / 9 + phase[2])
    points = np.stack([x, y, z], axis=-1)
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    corners = [np.stack(t, axis=-2).reshape(-1, 3, 3) for t in ((a, b, c), (a, c, d))]
    return stl(np.concatenate(corners))

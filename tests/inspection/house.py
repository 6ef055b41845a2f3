"""A portal on a real database in a folder, and what clinics and the lab do in it, step by step."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

from sqlmodel import select

from server.accounts.people import actor_of, add_organisation, add_person
from server.accounts.tables import OrganisationKind, Person, PersonRole
from server.accounts.work import PORTAL, Actor, reading, writing
from server.app import open_portal
from server.cases.changing import ArrivedFile, add_record
from server.cases.lookup import current_round
from server.cases.tables import Case
from server.cases.turns import open_case, submit
from server.inspection.child import ChildOutOfMemory
from server.inspection.evidence import Standing, standing_of
from server.inspection.jobs import judge_one, measure_one, measure_together
from server.inspection.judgements import report_of
from server.inspection.measuring import measure_case
from server.inspection.too_heavy import Run
from server.kit.portal import Portal
from server.kit.settings import Settings
from server.measures.measure import Measurement
from server.records.case_form import CaseForm
from server.records.roles import Role, Unit
from server.review.deciding import return_case
from server.rules.finding import Finding
from server.rules.limit import Level
from server.uploads.finishing import keep_blob
from server.uploads.tables import Blob
from tests.browser.portal import LAB_EMAIL, add_accounts
from tests.metrology.readers.mesh_files import corners_of, stl
from tests.metrology.shapes import moved
from tests.metrology.test_sameness import surface
from tests.rules.good_set import GOOD_FORM


def here(function: Callable[..., tuple[Measurement, ...]], *arguments: object) -> tuple[Measurement, ...]:
    return function(*arguments)


def one_by_one(
    function: Callable[..., tuple[Measurement, ...]], *arguments: object
) -> tuple[Measurement, ...]:
    """Measures each record here; over several, the answer is that it takes too much. For rules that look at no such measure."""
    if function is measure_case:
        raise ChildOutOfMemory("Measuring takes more memory than is allowed.")
    return function(*arguments)


class House:
    """A portal with two clinics, and the steps that a clinic takes in it. Every test has surfaces of its own.

    run: how measuring functions are run, here or in a pool of children.
    """

    def __init__(self, folder: Path, run: Run = here) -> None:
        self.run = run
        self.portal: Portal = open_portal(Settings(data_dir=folder, run_worker=False))
        add_accounts(self.portal)
        with writing(self.portal, PORTAL) as work:
            quay = add_organisation(work, OrganisationKind.CLINIC, "Quay Side")
            work.session.flush()
            add_person(work, quay, PersonRole.CLINIC, "otto@quay.example", "Otto Vane", "x")
        self.ada, self.otto = self._actor("ada@weir.example"), self._actor("otto@quay.example")
        self.lab = self._actor(LAB_EMAIL)
        self.test = 0

    def scan(self, number: int, *, move: int = 0) -> bytes:
        """A file of one of the test's surfaces, in a frame of its own."""
        made = surface(100 * self.test + number, n=6_000)
        made = moved(made, move) if move else made
        return stl(corners_of(made.vertices, made.faces))

    def _actor(self, email: str) -> Actor:
        with reading(self.portal, PORTAL) as work:
            person = work.session.exec(select(Person).where(Person.email == email)).one()
            actor = actor_of(work, person.id)
        assert actor is not None
        return actor

    def case(self, who: Actor, code: str = "R-1", **form: object) -> str:
        with writing(self.portal, who) as work:
            made = CaseForm.model_validate({**GOOD_FORM, "records": [], "patient_code": code, **form})
            return open_case(work, made).id

    def send(
        self, who: Actor, case_id: str, data: bytes, role: Role = Role.JAW, replaces: str | None = None
    ) -> str:
        """Sends a file and measures it; the record's id."""
        sha256 = hashlib.sha256(data).hexdigest()
        with self.portal.store.scratch() as path:
            path.write_bytes(data)
            keep_blob(self.portal, path, sha256)
        with writing(self.portal, who) as work:
            if work.session.get(Blob, sha256) is None:
                work.session.add(Blob(sha256=sha256, size_bytes=len(data), kept_at=work.now))
            name = f"{role.value}.stl"
            file = ArrivedFile(name, sha256, len(data), role, Unit.MM, replaces=replaces)
            record_id = add_record(work, case_id, file).id
        measure_one(self.portal, self.run, record_id)
        return record_id

    def submit(self, who: Actor, case_id: str) -> None:
        with writing(self.portal, who) as work:
            submit(work, case_id)

    def give_back(self, case_id: str) -> None:
        if self.standing(case_id).lacking:
            measure_together(self.portal, self.run, case_id)
        judge_one(self.portal, case_id)
        with writing(self.portal, self.lab) as work:
            return_case(work, case_id, "Please scan again.")

    def standing(self, case_id: str) -> Standing:
        with reading(self.portal, PORTAL) as work:
            return standing_of(work, work.session.get_one(Case, case_id))

    def found(self, case_id: str, rule: str) -> list[Finding]:
        """What the rule says of a case above clear, judged now."""
        if self.standing(case_id).lacking:
            measure_together(self.portal, self.run, case_id)
        judge_one(self.portal, case_id)
        with reading(self.portal, PORTAL) as work:
            report = report_of(work, current_round(work, work.session.get_one(Case, case_id)))
        assert report is not None
        return [f for f in report.findings if f.rule == rule and f.level is not Level.CLEAR]

"""Plays the invented scenario into a portal through the ordinary services, so that the demo is a real portal's content.

Playing it twice adds nothing: what is there is left alone. Measuring is the worker's, as for any upload.
"""

from __future__ import annotations

import hashlib
import time
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlmodel import col, select

from seed_data.demo import Scenario, load_scenario
from seed_data.demo.plot import DemoState
from seed_data.demo.scenario import DemoCase, DemoRecord, DemoRound
from server.accounts.passwords import hash_password
from server.accounts.people import actor_of, add_organisation, add_person, find_lab
from server.accounts.tables import OrganisationKind, Person, PersonRole
from server.accounts.work import PORTAL, Actor, reading, writing
from server.cases.bodies import body_ids
from server.cases.changing import ArrivedFile, add_record, change_form
from server.cases.lookup import case_view, records_of
from server.cases.messages import post_message
from server.cases.tables import Case, Measuring
from server.cases.turns import open_case, submit, withdraw
from server.handoff.release import release
from server.inspection.jobs import judge_one
from server.inspection.judgements import finding_key, report_of
from server.inspection.report import Report
from server.kit.clock import Clock
from server.kit.portal import Portal
from server.review.bodies import ArrivedBody, add_bodies
from server.review.deciding import return_case, waive
from server.uploads.finishing import keep_blob
from server.uploads.tables import Blob

PASSWORD = "demo-only-password"
PATIENCE_S = 300.0


def load_people(portal: Portal) -> tuple[Person, ...]:
    """The lab, the clinics and their people, made once; all share the published demo password."""
    scenario = load_scenario()
    with reading(portal, PORTAL) as work:
        there = tuple(work.session.exec(select(Person)))
    if there:
        return there
    hashed = hash_password(PASSWORD)
    with writing(portal, PORTAL) as work:
        lab = find_lab(work) or add_organisation(work, OrganisationKind.LAB, scenario.lab.name)
        places = {scenario.lab.key: lab}
        for clinic in scenario.clinics:
            places[clinic.key] = add_organisation(work, OrganisationKind.CLINIC, clinic.name)
        work.session.flush()
        for p in scenario.people:
            add_person(work, places[p.organisation], PersonRole(p.role.value), p.email, p.name, hashed)
    return load_people(portal)


def load_bodies(portal: Portal) -> None:
    """The lab's three invented reference bodies, added by one of its people."""
    scenario = load_scenario()
    with reading(portal, PORTAL) as work:
        there = set(body_ids(work))
        emails = [p.email for p in scenario.people if p.organisation == scenario.lab.key]
        person = work.session.exec(select(Person).where(col(Person.email).in_(emails))).first()
        actor = actor_of(work, person.id) if person is not None else None
    if there >= {body.entry.id for body in scenario.bodies}:
        return
    with TemporaryDirectory() as folder:
        arrived = []
        for body in scenario.bodies:
            path = Path(folder) / body.entry.mesh
            path.write_bytes(body.load())
            arrived.append(ArrivedBody(body.entry, path))
        add_bodies(portal, actor or PORTAL, arrived, lambda function, *given: function(*given))


def load_cases(portal: Portal) -> None:
    """The eight cases, one after the other, as they would have come about; needs a worker to be running."""
    scenario = load_scenario()
    now = portal.clock.now()
    with reading(portal, PORTAL) as work:
        there = set(work.session.exec(select(Case.patient_code)))
        people = {person.email: person.id for person in work.session.exec(select(Person))}
        actors = {email: actor_of(work, person_id) for email, person_id in people.items()}
    known = {email: actor for email, actor in actors.items() if actor is not None}
    for case in scenario.cases:
        if case.patient_code not in there:
            _Play(portal, scenario, known, now, case).play()


class _Play:
    """One case of the scenario while it is played, each step at the time at which it happened."""

    def __init__(
        self, portal: Portal, scenario: Scenario, people: dict[str, Actor], now: datetime, case: DemoCase
    ) -> None:
        self._portal, self._people, self._now, self._case = portal, people, now, case
        self._author = people[case.author]
        lab = {p.email for p in scenario.people if p.organisation == scenario.lab.key}
        self._lab = people[sorted(lab)[0]]
        self._said = sorted(case.messages, key=lambda m: -m.ago)
        self._from_lab = [m for m in self._said if m.author in lab]

    def play(self) -> None:
        rounds = self._case.rounds
        with writing(self._at(rounds[0].opened), self._author) as work:
            case_id = open_case(work, rounds[0].form(self._now)).id
        for entry in rounds:
            self._play_round(case_id, entry)
        for message in self._said:
            with writing(self._at(message.ago), self._people[message.author]) as work:
                post_message(work, case_id, message.text)
        self._close(case_id)

    def _play_round(self, case_id: str, entry: DemoRound) -> None:
        portal = self._at(entry.opened)
        if entry.number > 1:
            with writing(portal, self._author) as work:
                change_form(work, case_id, entry.form(self._now))
        for record in entry.records:
            if record.is_new:
                self._send(portal, case_id, record)
        if entry.submitted is not None:
            with writing(self._at(entry.submitted), self._author) as work:
                submit(work, case_id)
        if entry.returned is not None:
            self._wait(case_id)
            text = self._from_lab.pop(0) if self._from_lab else None
            if text is not None:
                self._said.remove(text)
            words = (
                text.text if text else "Please redo what is named below; everything else can stay as it is."
            )
            with writing(self._at(entry.returned), self._lab) as work:
                return_case(work, case_id, words)

    def _send(self, portal: Portal, case_id: str, record: DemoRecord) -> None:
        data = record.load()
        sha256 = hashlib.sha256(data).hexdigest()
        with portal.store.scratch() as path:
            path.write_bytes(data)
            keep_blob(portal, path, sha256)
        with writing(portal, self._author) as work:
            if work.session.get(Blob, sha256) is None:
                work.session.add(Blob(sha256=sha256, size_bytes=len(data), kept_at=work.now))
            case = work.session.get_one(Case, case_id)
            present = records_of(work, case_id, case.round_number)
            replaced = next((r.id for r in present if r.file_name == record.file_name), None)
            arrived = ArrivedFile(
                record.file_name, sha256, len(data), record.role, record.unit, record.body, replaced
            )
            add_record(work, case_id, arrived)

    def _close(self, case_id: str) -> None:
        report = None
        if self._case.waivers or self._case.closed:
            self._wait(case_id)
            judge_one(
                self._at(self._case.closed or timedelta()), case_id, anew=True
            )  # as it stood when it was closed
            report = self._wait(case_id)
        for waiver in self._case.waivers:
            assert report is not None
            files = {r["file"] for r in report.records if waiver.role in (None, r["role"])}
            for finding in report.findings:
                if finding.rule == waiver.rule and (not finding.records or files & set(finding.records)):
                    key = finding_key(finding, report)
                    with writing(self._at(waiver.ago), self._people[waiver.person]) as work:
                        waive(work, case_id, key, waiver.reason, has_consent=True)
                    break
        if self._case.closed is not None:
            if self._case.state is DemoState.RELEASED:
                with writing(self._at(self._case.closed), self._lab) as work:
                    release(work, case_id)
            else:
                with writing(self._at(self._case.closed), self._author) as work:
                    withdraw(work, case_id)

    def _wait(self, case_id: str) -> Report:
        """The report once every record is measured and judged. Raises TimeoutError."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            with reading(self._portal, PORTAL) as work:
                view = case_view(work, case_id)
                report = report_of(work, view.round)
            if report is not None and all(r.measuring is Measuring.MEASURED for r in view.records):
                known = {r["sha256"] for r in report.records}
                if known == {r.sha256 for r in view.records}:
                    return report
            time.sleep(0.2)
        raise TimeoutError(f"{self._case.patient_code} was not measured in time")

    def _at(self, ago: timedelta) -> Portal:
        then = self._now - ago
        return replace(self._portal, clock=Clock(lambda: then))

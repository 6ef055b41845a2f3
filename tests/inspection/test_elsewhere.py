"""Likely twins among all cases, on a real database: what is found, what is left out, and what is said to whom."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import text
from sqlmodel import select

from server.accounts.people import actor_of, add_organisation, add_person
from server.accounts.tables import OrganisationKind, Person, PersonRole
from server.accounts.work import PORTAL, Actor, reading, writing
from server.app import open_portal
from server.cases.changing import ArrivedFile, add_record, change_record, remove_record
from server.cases.lookup import current_round, find_record
from server.cases.tables import Case
from server.cases.turns import open_case, submit, withdraw
from server.inspection.elsewhere import alike_cases
from server.inspection.evidence import Standing, keep_measurements, standing_of
from server.inspection.jobs import judge_one, measure_one
from server.inspection.judgements import report_of
from server.inspection.tables import KeptMeasurement, SurfaceKey
from server.kit.portal import Portal
from server.kit.settings import Settings
from server.measures.measure import Measurement
from server.measures.sketch import SKETCH
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

RULE = "file/same-surface"


def _here(function: Callable[..., tuple[Measurement, ...]], *arguments: object) -> tuple[Measurement, ...]:
    return function(*arguments)


class House:
    """A portal with two clinics, and the steps that a clinic takes in it. Every test has surfaces of its own."""

    def __init__(self, folder: Path) -> None:
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
        measure_one(self.portal, _here, record_id)
        return record_id

    def submit(self, who: Actor, case_id: str) -> None:
        with writing(self.portal, who) as work:
            submit(work, case_id)

    def give_back(self, case_id: str) -> None:
        judge_one(self.portal, case_id)
        with writing(self.portal, self.lab) as work:
            return_case(work, case_id, "Please scan again.")

    def standing(self, case_id: str) -> Standing:
        with reading(self.portal, PORTAL) as work:
            return standing_of(work, work.session.get_one(Case, case_id))

    def found(self, case_id: str, rule: str = RULE) -> list[Finding]:
        """What the rule says of a case above clear, judged now."""
        judge_one(self.portal, case_id)
        with reading(self.portal, PORTAL) as work:
            report = report_of(work, current_round(work, work.session.get_one(Case, case_id)))
        assert report is not None
        return [f for f in report.findings if f.rule == rule and f.level is not Level.CLEAR]


@pytest.fixture(scope="module")
def one_house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    made = House(tmp_path_factory.mktemp("portal"))
    yield made
    made.portal.database.close()


@pytest.fixture
def house(one_house: House) -> House:
    one_house.test += 1
    return one_house


def test_a_moved_copy_in_another_clinics_case_is_found_and_not_named(house: House) -> None:
    first, second = house.case(house.ada, "R-1"), house.case(house.otto, "K-9")
    house.send(house.ada, first, house.scan(1))
    assert house.found(first) == []
    house.send(house.otto, second, house.scan(1, move=7), Role.TISSUE)
    (found,) = house.found(second)
    assert (found.level, found.records) == (Level.LOOK, ("tissue.stl",))
    assert "another case" in found.says
    assert not any(word in found.says + found.remedy for word in ("R-1", "Weir", first, first[:8]))


def test_the_case_that_came_first_is_judged_again(house: House) -> None:
    first, second = house.case(house.ada, "R-1"), house.case(house.otto, "K-9")
    house.send(house.ada, first, house.scan(1))
    assert house.found(first) == []
    before = house.standing(first).fingerprint
    record_id = house.send(house.otto, second, house.scan(1, move=7))
    with reading(house.portal, PORTAL) as work:
        assert alike_cases(work, find_record(work, record_id)) == [first]
    assert house.standing(first).fingerprint != before
    (found,) = house.found(first)
    assert found.level is Level.LOOK
    assert "K-9" not in found.says


def test_a_clinics_own_case_is_named_by_its_code(house: House) -> None:
    first, second = house.case(house.ada, "R-1"), house.case(house.ada, "R-2")
    house.send(house.ada, first, house.scan(1))
    house.send(house.ada, second, house.scan(1, move=7))
    (found,) = house.found(second)
    assert "case R-1" in found.says
    assert found.level is Level.LOOK


def test_identical_bytes_are_found_even_where_the_surface_has_no_likeness(house: House) -> None:
    flat = stl(np.array([[[0, 0, 0], [30, 0, 0], [0, 30, 0]], [[30, 0, 0], [30, 30, 0], [0, 30, 0]]], float))
    first, second = house.case(house.ada), house.case(house.otto)
    house.send(house.ada, first, flat)
    house.send(house.otto, second, flat)
    (found,) = house.found(second)
    assert (found.level, found.value) == (Level.LOOK, 1.0)


def test_another_surface_is_not_found_and_the_standing_is_the_same_each_time(house: House) -> None:
    first, second = house.case(house.ada), house.case(house.otto)
    house.send(house.ada, first, house.scan(1))
    house.send(house.otto, second, house.scan(2))
    assert house.standing(second).evidence.elsewhere == ()
    assert house.found(second) == []
    assert house.standing(second).fingerprint == house.standing(second).fingerprint


def test_a_case_of_the_same_patient_withdrawn_before_does_not_count_but_anothers_does(house: House) -> None:
    first, again, other = (
        house.case(house.ada, "R-1"),
        house.case(house.ada, "R-1"),
        house.case(house.ada, "R-2"),
    )
    house.send(house.ada, first, house.scan(1))
    with writing(house.portal, house.ada) as work:
        withdraw(work, first)
    house.send(house.ada, again, house.scan(1))
    assert house.found(again) == []
    with writing(house.portal, house.ada) as work:
        withdraw(work, again)
    house.send(house.ada, other, house.scan(1))
    assert {f.level for f in house.found(other)} == {Level.LOOK}


def test_the_opposing_jaw_of_a_paired_case_is_a_note(house: House) -> None:
    upper, lower = house.case(house.ada, "U-1", paired_case="L-1"), house.case(house.ada, "L-1")
    house.send(house.ada, upper, house.scan(1), Role.JAW)
    house.send(house.ada, lower, house.scan(1, move=7), Role.OPPOSING)
    (found,) = house.found(lower)
    assert found.level is Level.NOTE
    assert "the patient's other jaw" in found.says


def test_a_file_sent_to_the_wrong_case_and_taken_out_there_is_no_finding_here(house: House) -> None:
    wrong, right = house.case(house.otto), house.case(house.ada)
    mistaken = house.send(house.otto, wrong, house.scan(1))
    with writing(house.portal, house.otto) as work:
        remove_record(work, mistaken)
    house.send(house.ada, right, house.scan(1, move=7))
    assert house.found(right) == []


def _in_round_two(house: House) -> tuple[str, str]:
    """A case that came back with one jaw scan and one tissue scan; its id and that of the jaw's record."""
    case_id = house.case(house.ada)
    jaw = house.send(house.ada, case_id, house.scan(1))
    house.send(house.ada, case_id, house.scan(2), Role.TISSUE)
    house.submit(house.ada, case_id)
    house.give_back(case_id)
    return case_id, jaw


def test_a_record_kept_in_the_next_round_is_no_finding_and_a_resent_one_is(house: House) -> None:
    case_id, jaw = _in_round_two(house)
    house.send(house.ada, case_id, house.scan(1, move=7), replaces=jaw)
    (found,) = house.found(case_id, "round/same-as-before")
    assert (found.level, found.records[0].startswith("jaw")) == (Level.LOOK, True)
    assert house.found(case_id) == []


def test_a_new_scan_in_the_next_round_is_no_finding(house: House) -> None:
    case_id, jaw = _in_round_two(house)
    house.send(house.ada, case_id, house.scan(3), replaces=jaw)
    assert house.found(case_id, "round/same-as-before") == []
    assert house.found(case_id) == []


def test_a_record_that_gets_its_right_role_in_the_next_round_is_no_finding(house: House) -> None:
    case_id, jaw = _in_round_two(house)
    with writing(house.portal, house.ada) as work:
        renamed = change_record(work, jaw, role=Role.BEFORE).id
    measure_one(house.portal, _here, renamed)
    assert house.found(case_id) == []


def test_an_old_surface_under_another_role_is_a_note_that_names_the_round(house: House) -> None:
    case_id, jaw = _in_round_two(house)
    with writing(house.portal, house.ada) as work:
        remove_record(work, jaw)
    house.send(house.ada, case_id, house.scan(1, move=7), Role.BEFORE)
    (found,) = house.found(case_id)
    assert found.level is Level.NOTE
    assert "round 1" in found.says


def test_keys_are_kept_once_and_go_with_the_measurement(house: House) -> None:
    case_id = house.case(house.ada)
    house.send(house.ada, case_id, house.scan(1))
    with writing(house.portal, PORTAL) as work:
        sketch = select(KeptMeasurement).where(
            KeptMeasurement.about == hashlib.sha256(house.scan(1)).hexdigest(),
            KeptMeasurement.measure == SKETCH.name,
        )
        row = work.session.exec(sketch).one()
        keys = select(SurfaceKey).where(SurfaceKey.measurement_key == row.key)
        n_keys = len(list(work.session.exec(keys)))
        assert 16 <= n_keys <= 128
        keep_measurements(work, (Measurement.model_validate(row.made),), row.about)
        assert len(list(work.session.exec(keys))) == n_keys
        work.session.delete(row)
        work.session.flush()
        assert list(work.session.exec(keys)) == []


def test_twins_are_looked_up_by_index_alone(house: House) -> None:
    """The database's own plan for the join on keys: no table is read through."""
    query = (
        "explain query plan select b.measurement_key from surface_keys a join surface_keys b on a.key = b.key "
        "where a.measurement_key in ('x') group by a.measurement_key, b.measurement_key having count(*) >= 3"
    )
    with house.portal.database.engine.connect() as connection:
        plan = [row[-1] for row in connection.execute(text(query))]
    assert not [step for step in plan if step.startswith("SCAN")]

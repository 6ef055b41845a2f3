"""Likely twins among all cases, on a real database: what is found, what is left out, and what is said to whom."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import numpy as np
import pytest
from sqlalchemy import text
from sqlmodel import select

from server.accounts.work import PORTAL, reading, writing
from server.cases.changing import change_record, remove_record
from server.cases.lookup import find_record
from server.cases.turns import withdraw
from server.inspection.elsewhere import alike_cases
from server.inspection.evidence import keep_measurements
from server.inspection.jobs import measure_one
from server.inspection.tables import KeptMeasurement, SurfaceKey
from server.measures.measure import Measurement
from server.measures.sketch import SKETCH
from server.records.roles import Role
from server.rules.limit import Level
from tests.inspection.house import House, here, one_by_one
from tests.metrology.readers.mesh_files import stl

RULE = "file/same-surface"


@pytest.fixture(scope="module")
def one_house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    made = House(tmp_path_factory.mktemp("portal"), run=one_by_one)
    yield made
    made.portal.database.close()


@pytest.fixture
def house(one_house: House) -> House:
    one_house.test += 1
    return one_house


def test_a_moved_copy_in_another_clinics_case_is_found_and_not_named(house: House) -> None:
    first, second = house.case(house.ada, "R-1"), house.case(house.otto, "K-9")
    house.send(house.ada, first, house.scan(1))
    assert house.found(first, RULE) == []
    house.send(house.otto, second, house.scan(1, move=7), Role.TISSUE)
    (found,) = house.found(second, RULE)
    assert (found.level, found.records) == (Level.LOOK, ("tissue.stl",))
    assert "another case" in found.says
    assert not any(word in found.says + found.remedy for word in ("R-1", "Weir", first, first[:8]))


def test_the_case_that_came_first_is_judged_again(house: House) -> None:
    first, second = house.case(house.ada, "R-1"), house.case(house.otto, "K-9")
    house.send(house.ada, first, house.scan(1))
    assert house.found(first, RULE) == []
    before = house.standing(first).fingerprint
    record_id = house.send(house.otto, second, house.scan(1, move=7))
    with reading(house.portal, PORTAL) as work:
        assert alike_cases(work, find_record(work, record_id)) == [first]
    assert house.standing(first).fingerprint != before
    (found,) = house.found(first, RULE)
    assert found.level is Level.LOOK
    assert "K-9" not in found.says


def test_a_clinics_own_case_is_named_by_its_code(house: House) -> None:
    first, second = house.case(house.ada, "R-1"), house.case(house.ada, "R-2")
    house.send(house.ada, first, house.scan(1))
    house.send(house.ada, second, house.scan(1, move=7))
    (found,) = house.found(second, RULE)
    assert "case R-1" in found.says
    assert found.level is Level.LOOK


def test_identical_bytes_are_found_even_where_the_surface_has_no_likeness(house: House) -> None:
    flat = stl(np.array([[[0, 0, 0], [30, 0, 0], [0, 30, 0]], [[30, 0, 0], [30, 30, 0], [0, 30, 0]]], float))
    first, second = house.case(house.ada), house.case(house.otto)
    house.send(house.ada, first, flat)
    house.send(house.otto, second, flat)
    (found,) = house.found(second, RULE)
    assert (found.level, found.value) == (Level.LOOK, 1.0)


def test_another_surface_is_not_found_and_the_standing_is_the_same_each_time(house: House) -> None:
    first, second = house.case(house.ada), house.case(house.otto)
    house.send(house.ada, first, house.scan(1))
    house.send(house.otto, second, house.scan(2))
    assert house.standing(second).evidence.elsewhere == ()
    assert house.found(second, RULE) == []
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
    assert house.found(again, RULE) == []
    with writing(house.portal, house.ada) as work:
        withdraw(work, again)
    house.send(house.ada, other, house.scan(1))
    assert {f.level for f in house.found(other, RULE)} == {Level.LOOK}


def test_the_opposing_jaw_of_a_paired_case_is_a_note(house: House) -> None:
    upper, lower = house.case(house.ada, "U-1", paired_case="L-1"), house.case(house.ada, "L-1")
    house.send(house.ada, upper, house.scan(1), Role.JAW)
    house.send(house.ada, lower, house.scan(1, move=7), Role.OPPOSING)
    (found,) = house.found(lower, RULE)
    assert found.level is Level.NOTE
    assert "the patient's other jaw" in found.says


def test_a_file_sent_to_the_wrong_case_and_taken_out_there_is_no_finding_here(house: House) -> None:
    wrong, right = house.case(house.otto), house.case(house.ada)
    mistaken = house.send(house.otto, wrong, house.scan(1))
    with writing(house.portal, house.otto) as work:
        remove_record(work, mistaken)
    house.send(house.ada, right, house.scan(1, move=7))
    assert house.found(right, RULE) == []


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
    assert house.found(case_id, RULE) == []


def test_a_new_scan_in_the_next_round_is_no_finding(house: House) -> None:
    case_id, jaw = _in_round_two(house)
    house.send(house.ada, case_id, house.scan(3), replaces=jaw)
    assert house.found(case_id, "round/same-as-before") == []
    assert house.found(case_id, RULE) == []


def test_a_record_that_gets_its_right_role_in_the_next_round_is_no_finding(house: House) -> None:
    case_id, jaw = _in_round_two(house)
    with writing(house.portal, house.ada) as work:
        renamed = change_record(work, jaw, role=Role.BEFORE).id
    measure_one(house.portal, here, renamed)
    assert house.found(case_id, RULE) == []


def test_an_old_surface_under_another_role_is_a_note_that_names_the_round(house: House) -> None:
    case_id, jaw = _in_round_two(house)
    with writing(house.portal, house.ada) as work:
        remove_record(work, jaw)
    house.send(house.ada, case_id, house.scan(1, move=7), Role.BEFORE)
    (found,) = house.found(case_id, RULE)
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

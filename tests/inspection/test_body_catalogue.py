"""The body catalogue of a real portal: rules see it, measures rest on it, and a change of it is followed everywhere."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from server.accounts.work import PORTAL, reading, writing
from server.cases.changing import change_form
from server.cases.tables import Case, CaseState, Measuring
from server.cases.turns import submit
from server.inspection import jobs, measuring, too_heavy
from server.inspection.evidence import Standing, standing_of
from server.inspection.jobs import judge_one
from server.measures.bench import RecordBench
from server.measures.body_set import BodySet
from server.measures.graph import RECORD_MEASURES
from server.measures.measure import Measurement, NotMeasured, RecordMeasure, Result
from server.records.case_form import CaseForm
from server.records.roles import Role
from server.review.bodies import add_bodies
from server.rules.evidence import Lacking
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.measures.files import patch, stl
from tests.portal.house import CLINIC, LAB, House, here, open_house
from tests.review.offered import offered
from tests.rules.good_set import GOOD_FORM

JAW = stl(patch(40.0, n=20))


class Heights(Result):
    heights_mm: dict[str, float]


def _heights(bench: RecordBench) -> Heights:
    if bench.scan.n_faces == 0:
        raise NotMeasured("there is no surface")
    return Heights(heights_mm={body.id: round(body.height_mm, 3) for body in bench.reference_bodies})


HEIGHTS = RecordMeasure(
    "test.heights", 1, Heights, frozenset({Role.JAW}), _heights, needs=(), uses_bodies=True
)
"""The simplest measure that rests on the catalogue: how high each of its bodies is."""


@pytest.fixture(autouse=True)
def with_heights(monkeypatch: pytest.MonkeyPatch) -> None:
    """Puts the measure at the end of the graph."""
    for module in (measuring, too_heavy, jobs):
        monkeypatch.setattr(module, "RECORD_MEASURES", (*RECORD_MEASURES, HEIGHTS))


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = open_house(tmp_path / "portal")
    yield made
    made.portal.database.close()


def add(house: House, *bodies: Any) -> None:
    add_bodies(house.portal, house.actors[LAB], bodies, here)


def standing(house: House, case_id: str) -> Standing:
    with reading(house.portal, PORTAL) as work:
        return standing_of(work, work.session.get_one(Case, case_id))


def found(house: House, case_id: str, rule: str) -> list[Finding]:
    report = sorted(house.judgements(case_id), key=lambda j: j.at)[-1].report
    return [Finding.model_validate(f) for f in report["findings"] if f["rule"] == rule]


def heights(house: House, case_id: str) -> dict[str, float]:
    (jaw,) = standing(house, case_id).evidence.of_roles([Role.JAW])
    return jaw.result(HEIGHTS).heights_mm


def ran(house: House) -> list[str]:
    return [name for name, _ in house.work_off()]


def test_the_rules_speak_of_bodies_once_there_is_a_catalogue(house: House, tmp_path: Path) -> None:
    case_id = house.case()
    house.record(case_id, JAW)
    house.work_off()
    assert {f.outcome for f in found(house, case_id, "bodies/not-in-catalogue")} == {Outcome.NOT_MEASURED}
    house.clock.advance(1.0)
    add(house, offered(tmp_path, "rb-45"))
    house.work_off()
    unknown = found(house, case_id, "bodies/not-in-catalogue")
    assert {(f.outcome, f.level) for f in unknown} == {(Outcome.FAILED, Level.LOOK)}
    assert [f.site_index for f in unknown] == [(0,), (1,), (2,), (3,)]
    house.clock.advance(1.0)
    add(house, offered(tmp_path, "rb-60"))
    house.work_off()
    assert [f.outcome for f in found(house, case_id, "bodies/not-in-catalogue")] == [Outcome.PASSED]


def test_a_new_version_of_an_entry_is_judged_by_and_the_old_report_stays(
    house: House, tmp_path: Path
) -> None:
    add(house, offered(tmp_path))
    case_id = house.case()
    house.record(case_id, JAW)
    house.work_off()
    assert {f.outcome for f in found(house, case_id, "form/connection-unsupported")} == {Outcome.PASSED}
    before = {j.id: j.report for j in house.judgements(case_id)}
    house.clock.advance(1.0)
    add(house, offered(tmp_path, connections=["direct"]))
    house.work_off()
    assert {f.outcome for f in found(house, case_id, "form/connection-unsupported")} == {Outcome.FAILED}
    assert {j.id: j.report for j in house.judgements(case_id) if j.id in before} == before


def test_the_fingerprint_stands_for_entries_and_meshes_and_not_for_ids_alone(
    house: House, tmp_path: Path
) -> None:
    case_id = house.case()
    seen = {standing(house, case_id).fingerprint}
    for body in (
        offered(tmp_path),
        offered(tmp_path, may_stay_in_mouth=False),
        offered(tmp_path, data=offered(tmp_path, "rb-90").path.read_bytes()),
        offered(tmp_path, "rb-45"),
    ):
        add(house, body)
        seen.add(standing(house, case_id).fingerprint)
    assert len(seen) == 5


def test_what_rests_on_bodies_is_measured_again_and_nothing_else(house: House, tmp_path: Path) -> None:
    case_id = house.case()
    jaw = house.record(case_id, JAW)
    bite = house.record(case_id, stl(patch(30.0, n=20)), Role.BITE, "bite-1.stl")
    house.work_off()
    before = {m.key for m in house.measurements()}
    add(house, offered(tmp_path))
    assert "measure-again" in ran(house)
    assert (house.get(jaw).measuring, house.get(bite).measuring) == (Measuring.MEASURED, Measuring.MEASURED)
    new = {m.measure for m in house.measurements() if m.key not in before}
    assert HEIGHTS.name in new
    assert not new & {m.name for m in RECORD_MEASURES if not m.rests_on_bodies}
    assert heights(house, case_id) == {"rb-60": 6.0}
    assert standing(house, case_id).outdated == ()
    add(house, offered(tmp_path))
    assert ran(house) == []


def test_a_catalogue_that_changes_while_a_record_is_measured_is_caught_up_with(
    house: House, tmp_path: Path
) -> None:
    case_id = house.case()
    jaw = house.record(case_id, JAW)
    seen: list[str] = []

    def run(function: Any, *arguments: Any) -> tuple[Measurement, ...]:
        made: tuple[Measurement, ...] = function(*arguments)
        given = [a.digest for a in arguments if isinstance(a, BodySet)]
        seen.extend(given)
        if given and len(seen) == 1:
            add(house, offered(tmp_path))
        return made

    house.work_off(run)
    assert seen[0] == ""
    assert heights(house, case_id) == {"rb-60": 6.0}
    assert standing(house, case_id).bodies.digest in seen
    assert standing(house, case_id).outdated == ()
    assert house.get(jaw).measuring is Measuring.MEASURED


def test_without_a_catalogue_the_measure_says_so(house: House) -> None:
    case_id = house.case()
    house.record(case_id, JAW)
    house.work_off()
    (jaw,) = standing(house, case_id).evidence.records
    with pytest.raises(Lacking, match="no body catalogue is at hand"):
        jaw.result(HEIGHTS)


def test_a_measure_is_given_the_bodies_by_their_seat_and_in_mm(house: House, tmp_path: Path) -> None:
    add(house, offered(tmp_path, "rb-60"), offered(tmp_path, "rb-45"), offered(tmp_path, "rb-90"))
    case_id = house.case()
    house.record(case_id, JAW)
    house.work_off()
    assert heights(house, case_id) == {"rb-45": 4.5, "rb-60": 6.0, "rb-90": 9.0}
    add(house, offered(tmp_path, "rb-90", seat_origin=[0.0, 0.0, 1.0]))
    house.work_off()
    assert heights(house, case_id) == {"rb-45": 4.5, "rb-60": 6.0, "rb-90": 8.0}


def test_a_case_that_is_over_keeps_its_report(house: House, tmp_path: Path) -> None:
    over, open_ = house.case(), house.case()
    for case_id in (over, open_):
        house.record(case_id, JAW)
    house.work_off()
    n_before = len(house.judgements(over))
    with writing(house.portal, PORTAL) as work:
        work.session.get_one(Case, over).state = CaseState.RELEASED
    add(house, offered(tmp_path))
    done = house.work_off()
    assert len(house.judgements(over)) == n_before
    assert ("judge-case", open_) in done


def test_a_submitted_case_keeps_its_last_report_until_all_is_measured_again(
    house: House, tmp_path: Path
) -> None:
    case_id = house.case()
    house.record(case_id, JAW)
    house.work_off()
    with writing(house.portal, house.actors[CLINIC]) as work:
        submit(work, case_id)
    house.work_off()
    reports = len(house.judgements(case_id))
    add(house, offered(tmp_path))
    judge_one(house.portal, case_id)
    assert len(house.judgements(case_id)) == reports
    assert standing(house, case_id).is_measured is False
    house.work_off()
    assert len(house.judgements(case_id)) > reports


def test_changing_the_form_measures_nothing_again(house: House, tmp_path: Path) -> None:
    add(house, offered(tmp_path))
    case_id = house.case()
    house.record(case_id, JAW)
    house.work_off()
    with writing(house.portal, house.actors[CLINIC]) as work:
        change_form(work, case_id, CaseForm.model_validate({**GOOD_FORM, "records": [], "shade": "pale"}))
    assert "measure-again" not in ran(house)

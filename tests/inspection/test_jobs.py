"""The jobs: run twice they change nothing, and whatever breaks ends in words that people see."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlmodel import select

from server.accounts.work import PORTAL, reading, writing
from server.cases.changing import change_record, remove_record
from server.cases.jobs import JUDGE_CASE, MEASURE_CASE, MEASURE_RECORD
from server.cases.lookup import current_round
from server.cases.tables import Case, Measuring, Record
from server.cases.turns import submit, withdraw
from server.inspection.child import ChildDied, ChildFailed, ChildrenUnavailable, ChildTimedOut
from server.inspection.jobs import BROKEN, doings, give_up_record, judge_one, measure_one, measure_together
from server.inspection.judgements import report_of
from server.inspection.report import Report
from server.inspection.upkeep import ask_again
from server.measures.measure import Measurement, Status
from server.records.roles import Role, Unit
from server.rules.limit import Outcome
from tests.portal.house import CLINIC, House, here, open_house, waves

DATA = waves(7, n=12)
Made = tuple[Measurement, ...]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = open_house(tmp_path)
    yield made
    made.portal.database.close()


def report(house: House, case_id: str) -> Report:
    with reading(house.portal, PORTAL) as work:
        found = report_of(work, current_round(work, work.session.get_one(Case, case_id)))
    assert found is not None
    return found


def state(house: House) -> list[object]:
    """All that the jobs write, times included."""
    kept = sorted((m.key, m.at.isoformat(), str(m.made)) for m in house.measurements())
    with reading(house.portal, PORTAL) as work:
        cases = [case.model_dump() for case in work.session.exec(select(Case))]
        records = [record.model_dump() for record in work.session.exec(select(Record))]
    judgements = [j.id for case in cases for j in house.judgements(case["id"])]
    return [kept, cases, records, judgements]


def never(*_: object) -> Made:
    raise AssertionError("nothing is to be measured")


def failing(fault: Exception) -> Callable[..., Made]:
    def run(*_: object) -> Made:
        raise fault

    return run


def test_a_record_is_measured_and_judged_once(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, DATA)
    ran = [name for name, _ in house.work_off()]
    assert ran[:2] == [MEASURE_RECORD.name, JUDGE_CASE.name]
    assert house.get(record_id).measuring is Measuring.MEASURED
    (judgement,) = house.judgements(case_id)
    assert house.get_case(case_id).verdict == judgement.verdict


@pytest.mark.parametrize("job", [MEASURE_RECORD, JUDGE_CASE, MEASURE_CASE])
def test_every_job_run_again_changes_nothing(house: House, job: object) -> None:
    case_id = house.case()
    record_id = house.record(case_id, DATA)
    house.work_off()
    before = state(house)
    house.clock.advance(3600)
    doing = doings(house.portal, never)[job]  # type: ignore[index]
    doing.run(record_id if job is MEASURE_RECORD else case_id)
    assert house.work_off(never) == []
    assert state(house) == before


def test_measuring_that_was_kept_but_not_said_is_not_done_again(house: House) -> None:
    """A host that died after keeping, in another case with the same bytes, or before it said so here."""
    first, second = house.case(), house.case()
    house.record(first, DATA)
    house.work_off()
    again = house.record(second, DATA)
    measure_one(house.portal, never, again)
    assert house.get(again).measuring is Measuring.MEASURED


def test_a_measure_that_breaks_is_seen_as_that(house: House) -> None:
    """Three attempts fail, then it is given up: the record is measured, the report says what broke."""
    case_id = house.case()
    record_id = house.record(case_id, DATA)
    house.waiting.jobs.clear()
    for _ in range(3):
        with pytest.raises(ChildFailed):
            measure_one(house.portal, failing(ChildFailed("ValueError", "boom")), record_id)
        assert house.get(record_id).measuring is Measuring.MEASURING
    give_up_record(house.portal, record_id)
    assert house.get(record_id).measuring is Measuring.MEASURED
    house.work_off()
    crashed = [f for f in report(house, case_id).findings if f.outcome is Outcome.CRASHED]
    assert crashed
    assert all(finding.says for finding in crashed)
    assert report(house, case_id).verdict.value != "clear"
    assert {m.made["says"] for m in house.measurements() if m.made["status"] == "crashed"} >= {BROKEN}


def test_what_crashed_is_measured_when_the_record_is_asked_for_again(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, DATA)
    with pytest.raises(ChildFailed):
        measure_one(house.portal, failing(ChildFailed("ValueError", "boom")), record_id)
    give_up_record(house.portal, record_id)
    house.waiting.jobs.clear()
    with writing(house.portal, house.actors[CLINIC]) as work:
        change_record(work, record_id, role=Role.TISSUE)
        change_record(work, record_id, role=Role.JAW)
    house.work_off()
    about = house.get(record_id).sha256
    assert {m.made["status"] for m in house.measurements() if m.about == about} <= {
        "measured",
        "not_measured",
    }
    assert not [f for f in report(house, case_id).findings if f.outcome is Outcome.CRASHED and f.records]


def test_giving_up_late_takes_nothing_back(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, DATA)
    house.work_off()
    before = [(m.key, m.made) for m in house.measurements()]
    give_up_record(house.portal, record_id)
    house.work_off()
    assert [(m.key, m.made) for m in house.measurements()] == before
    assert len(house.judgements(case_id)) == 1


def test_bytes_that_are_gone_end_in_words_too(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, DATA)
    house.portal.store.forget(house.kept_keys("blobs"))
    with pytest.raises(FileNotFoundError):
        measure_one(house.portal, here, record_id)
    house.work_off()
    assert house.get(record_id).measuring is Measuring.MEASURED
    assert report(house, case_id).verdict.value != "clear"


def test_a_closed_pool_leaves_the_record_waiting_for_the_next_start(house: House) -> None:
    record_id = house.record(house.case(), DATA)
    with pytest.raises(ChildrenUnavailable):
        measure_one(house.portal, failing(ChildrenUnavailable("closed")), record_id)
    assert house.get(record_id).measuring is Measuring.MEASURING
    assert house.measurements() == []
    house.work_off()
    assert house.get(record_id).measuring is Measuring.MEASURED


@pytest.mark.parametrize("lost", [ChildTimedOut("too long"), ChildDied("died")])
def test_a_record_too_heavy_is_returned_and_named(house: House, lost: Exception) -> None:
    case_id = house.case()
    house.record(case_id, DATA)
    house.work_off(failing(lost))
    (heavy,) = [f for f in report(house, case_id).findings if f.rule == "file/too-heavy" and f.records]
    assert heavy.records == ("jaw.stl",)
    assert heavy.outcome is Outcome.FAILED
    assert report(house, case_id).verdict.value == "return"


def test_a_record_or_case_that_is_gone_is_no_fault(house: House) -> None:
    for job, doing in doings(house.portal, never).items():
        doing.run("0" * 24)
        if doing.give_up is not None:
            doing.give_up("0" * 24)
        assert house.waiting.jobs == [], job


def test_a_record_erased_while_it_is_measured(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, DATA)

    def run(function: Callable[..., Made], *arguments: object) -> Made:
        with writing(house.portal, PORTAL) as work:
            work.session.delete(work.session.get_one(Record, record_id))
        return function(*arguments)

    house.waiting.jobs.clear()
    measure_one(house.portal, run, record_id)
    assert house.waiting.jobs == []
    assert house.measurements() == []


def test_a_record_taken_out_while_it_is_measured(house: House) -> None:
    case_id = house.case()
    record_id, other = (
        house.record(case_id, DATA),
        house.record(case_id, waves(8, n=12), Role.DENTURE, "d.stl"),
    )

    def run(function: Callable[..., Made], *arguments: object) -> Made:
        if house.get(record_id).last_round is None:
            with writing(house.portal, house.actors[CLINIC]) as work:
                remove_record(work, record_id)
        return function(*arguments)

    house.work_off(run)
    assert [r["file"] for r in report(house, case_id).records] == [house.get(other).file_name]


@pytest.mark.parametrize(("role", "unit"), [(Role.DENTURE, None), (None, Unit.CM)])
def test_a_record_said_to_be_something_else_while_it_is_measured(
    house: House, role: Role | None, unit: Unit | None
) -> None:
    """What was measured of it as the first is kept; the record waits on, is measured as the second, judged as that."""
    case_id = house.case()
    record_id = house.record(case_id, DATA)
    house.waiting.jobs.clear()

    def run(function: Callable[..., Made], *arguments: object) -> Made:
        with writing(house.portal, house.actors[CLINIC]) as work:
            change_record(work, record_id, role=role, unit=unit)
        return function(*arguments)

    measure_one(house.portal, run, record_id)
    assert house.get(record_id).measuring is Measuring.WAITING
    as_first = len(house.measurements())
    assert as_first > 0
    house.work_off()
    assert house.get(record_id).measuring is Measuring.MEASURED
    assert len(house.measurements()) >= as_first
    (shown,) = report(house, case_id).records
    assert (shown["role"], shown["unit"]) == ((role or Role.JAW).value, (unit or Unit.MM).value)


def test_a_record_changed_and_changed_back_while_it_is_measured(house: House) -> None:
    case_id = house.case()
    record_id = house.record(case_id, DATA)
    asked: list[object] = []

    def run(function: Callable[..., Made], *arguments: object) -> Made:
        asked.append(function)
        if len(asked) == 1:
            with writing(house.portal, house.actors[CLINIC]) as work:
                change_record(work, record_id, role=Role.DENTURE)
                change_record(work, record_id, role=Role.JAW)
        return function(*arguments)

    house.work_off(run)
    assert house.get(record_id).measuring is Measuring.MEASURED
    assert report(house, case_id).records[0]["role"] == "jaw"
    assert [getattr(function, "__name__", "") for function in asked].count("measure_record") == 1


def test_a_submitted_round_is_judged_only_when_every_record_is_measured(house: House) -> None:
    case_id = house.case()
    slow = house.record(case_id, DATA)
    house.waiting.jobs.clear()
    house.record(case_id, waves(8, n=12), Role.DENTURE, "denture.stl")
    with writing(house.portal, house.actors[CLINIC]) as work:
        submit(work, case_id)
    house.work_off()
    assert house.judgements(case_id) == []
    measure_one(house.portal, here, slow)
    house.work_off()
    (judgement,) = house.judgements(case_id)
    assert len(judgement.report["records"]) == 2


def test_a_case_withdrawn_while_it_is_judged_stays_as_it_was(house: House) -> None:
    case_id = house.case()
    house.record(case_id, DATA)
    with writing(house.portal, house.actors[CLINIC]) as work:
        withdraw(work, case_id)
    house.work_off()
    assert house.judgements(case_id) == []
    assert house.get_case(case_id).verdict is None


def test_measures_together_of_a_case_erased_meanwhile(house: House) -> None:
    case_id = house.case()
    house.record(case_id, DATA)
    house.work_off()
    before = len(house.measurements())
    with writing(house.portal, PORTAL) as work:
        work.session.delete(work.session.get_one(Case, case_id))
    measure_together(house.portal, never, case_id)
    judge_one(house.portal, case_id)
    assert len(house.measurements()) == before


def test_a_record_that_waits_too_long_is_asked_for_again(house: House) -> None:
    record_id = house.record(house.case(), DATA)
    house.waiting.jobs.clear()
    assert ask_again(house.portal) == 0
    house.clock.advance(house.portal.settings.measuring_s * 3 + 1)
    assert ask_again(house.portal) == 1
    assert house.waiting.jobs == [(MEASURE_RECORD, record_id)]
    assert ask_again(house.portal) == 0
    house.work_off()
    house.clock.advance(house.portal.settings.measuring_s * 9)
    assert ask_again(house.portal) == 0
    assert all(Status(m.made["status"]) is not Status.CRASHED for m in house.measurements())

"""What the lab decides, where the order of things goes wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlmodel import select

from server.accounts.work import PORTAL, NotYours, reading, writing
from server.cases.changing import remove_record
from server.cases.lookup import case_view
from server.cases.repeats import Repeat, forget_old_repeats, once
from server.cases.tables import Measuring, Record
from server.cases.turns import WrongTurn, submit
from server.handoff.release import NotReleased, release, release_of
from server.inspection.judgements import finding_key, open_findings, report_of, waivers_of
from server.review.deciding import StandsAgainst, release_case, return_case, waive
from tests.portal.house import CLINIC, LAB, House, open_house, waves

REASON = "Looked at and accepted."


@pytest.fixture
def house(tmp_path: Path) -> House:
    return open_house(tmp_path)


@pytest.fixture
def case_id(house: House) -> str:
    """With the lab, one record, not measured yet."""
    case_id = house.case()
    house.record(case_id, waves(1, n=10))
    with writing(house.portal, house.actors[CLINIC]) as work:
        submit(work, case_id)
    return case_id


def waive_all(house: House, case_id: str) -> None:
    with reading(house.portal, house.actors[LAB]) as work:
        found = report_of(work, case_view(work, case_id).round)
        assert found is not None
        keys = [finding_key(f, found) for f in open_findings(found, waivers_of(work, case_id))]
    for key in keys:
        with writing(house.portal, house.actors[LAB]) as work:
            waive(work, case_id, key, REASON, has_consent=True)


def test_nothing_is_decided_before_the_first_judgement(house: House, case_id: str) -> None:
    with writing(house.portal, house.actors[LAB]) as work:
        with pytest.raises(StandsAgainst, match="not been judged"):
            waive(work, case_id, "x", REASON, has_consent=True)
        with pytest.raises(StandsAgainst, match="not been judged"):
            release_case(work, case_id)


def test_nothing_is_released_while_a_record_is_measured_again(house: House, case_id: str) -> None:
    house.work_off()
    waive_all(house, case_id)
    (record,) = house.records(case_id)
    with writing(house.portal, PORTAL) as work:
        work.session.get_one(Record, record.id).measuring = Measuring.WAITING
    with writing(house.portal, house.actors[LAB]) as work, pytest.raises(StandsAgainst, match="Not every"):
        release(work, case_id)


def test_nothing_is_released_whose_records_are_not_those_that_were_judged(house: House, case_id: str) -> None:
    house.work_off()
    waive_all(house, case_id)
    (record,) = house.records(case_id)
    with writing(house.portal, PORTAL) as work:
        work.session.get_one(Record, record.id).sha256 = "0" * 64
    with writing(house.portal, house.actors[LAB]) as work, pytest.raises(StandsAgainst, match="have changed"):
        release(work, case_id)


def test_a_release_names_what_it_rests_on(house: House, case_id: str) -> None:
    house.work_off()
    with reading(house.portal, house.actors[CLINIC]) as work, pytest.raises(NotReleased):
        release_of(work, case_id)
    waive_all(house, case_id)
    with writing(house.portal, house.actors[LAB]) as work:
        made = release(work, case_id).manifest
    (record,) = house.records(case_id)
    assert [r["sha256"] for r in made["records"]] == [record.sha256]
    assert {a["reason"] for a in made["accepted"]} == {REASON}
    assert made["released_by"] == "Imke Sorel"
    with reading(house.portal, house.actors[CLINIC]) as work:
        assert release_of(work, case_id).manifest == made


def test_a_returned_case_is_out_of_the_labs_hands(house: House, case_id: str) -> None:
    with writing(house.portal, house.actors[CLINIC]) as work, pytest.raises(NotYours):
        return_case(work, case_id, "Back.")
    with writing(house.portal, house.actors[LAB]) as work:
        return_case(work, case_id, "Back.")
    with writing(house.portal, house.actors[LAB]) as work:
        with pytest.raises(WrongTurn):
            return_case(work, case_id, "Back again.")
        with pytest.raises(WrongTurn):
            release(work, case_id)


def test_a_case_returned_and_sent_unchanged_is_a_round_of_its_own(house: House, case_id: str) -> None:
    with writing(house.portal, house.actors[LAB]) as work:
        return_case(work, case_id, "Back.")
    with writing(house.portal, house.actors[CLINIC]) as work:
        assert submit(work, case_id).round_number == 2
    with reading(house.portal, house.actors[LAB]) as work:
        view = case_view(work, case_id)
    assert [r.submitted_at is not None for r in view.rounds] == [True, True]
    assert len(view.records) == 1


def test_a_record_taken_out_stays_in_the_round_that_was_sent(house: House, case_id: str) -> None:
    (record,) = house.records(case_id)
    with writing(house.portal, house.actors[CLINIC]) as work:
        remove_record(work, record.id)
    kept = house.get(record.id)
    assert (kept.is_in(1), kept.is_in(2)) == (True, False)
    assert house.get_case(case_id).round_number == 2


def test_a_key_is_forgotten_after_two_days(house: House) -> None:
    def asked() -> str:
        with writing(house.portal, house.actors[CLINIC]) as work:
            return once(work, "key", "asked", lambda: "made")

    assert asked() == "made"
    house.clock.advance(2 * 86400)
    for seconds, left in ((0, 1), (1, 0)):
        house.clock.advance(seconds)
        with writing(house.portal, PORTAL) as work:
            forget_old_repeats(work)
            assert len(list(work.session.exec(select(Repeat)))) == left

"""Lists of cases walk an index, find words, and count without counting all."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import event

from server.accounts.work import reading, writing
from server.cases import listing
from server.cases.listing import CaseFilter, count_by_state, list_cases
from server.cases.tables import CaseState
from server.cases.turns import open_case, withdraw
from server.records.case_form import CaseForm
from tests.portal.house import CLINIC, LAB, OTHER, House, open_house

CODES = ("R-1042", "R-1043", "QX 7", "Ärmel-5")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    made = open_house(tmp_path_factory.mktemp("house"))
    for who in (CLINIC, OTHER):
        for n, code in enumerate(CODES):
            with writing(made.portal, made.actors[who]) as work:
                needed = made.clock.at + timedelta(hours=n)
                open_case(work, CaseForm(patient_code=code, needed_by=needed))
    return made


def found(house: House, who: str, **wanted: str) -> list[str]:
    with reading(house.portal, house.actors[who]) as work:
        return [line.case.patient_code for line in list_cases(work, CaseFilter(**wanted)).lines]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("r-1042", ["R-1042"]),
        ("1042", ["R-1042"]),
        ("R-10", ["R-1042", "R-1043"]),
        ("10 weir", ["R-1042", "R-1043"]),
        ("qx", ["QX 7"]),
        ("ärm", ["Ärmel-5"]),
        ("weir lane", list(CODES)),
        ("quay", []),
        ("042", []),
        ("%", []),
        ("_", []),
        ("' or 1=1 --", []),
    ],
)
def test_a_case_is_found_by_the_beginnings_of_its_words(house: House, text: str, codes: list[str]) -> None:
    assert found(house, CLINIC, text=text) == codes


def test_a_word_that_many_have_is_found_by_walking_the_queue(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    rare = found(house, LAB, text="r-10")
    monkeypatch.setattr(listing, "_FEW_HITS", 1)
    assert found(house, LAB, text="r-10") == rare == ["R-1042", "R-1042", "R-1043", "R-1043"]
    assert found(house, CLINIC, text="r-10") == ["R-1042", "R-1043"]
    assert found(house, CLINIC, text="quay") == []


def test_counts_by_state_stop_at_many(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    with writing(house.portal, house.actors[CLINIC]) as work:
        withdraw(work, open_case(work, CaseForm(patient_code="GONE")).id)
    with reading(house.portal, house.actors[CLINIC]) as work:
        counts = count_by_state(work)
    assert (counts[CaseState.COLLECTING], counts[CaseState.WITHDRAWN]) == (4, 1)
    with reading(house.portal, house.actors[LAB]) as work:
        assert count_by_state(work)[CaseState.COLLECTING] == 8
        assert count_by_state(work, house.actors[OTHER].organisation_id)[CaseState.COLLECTING] == 4
        monkeypatch.setattr(listing, "MANY", 3)
        assert count_by_state(work)[CaseState.COLLECTING] == 3


@pytest.mark.parametrize("who", [CLINIC, LAB])
@pytest.mark.parametrize("state", [None, CaseState.COLLECTING])
def test_a_list_walks_an_index_and_sorts_nothing(house: House, who: str, state: CaseState | None) -> None:
    asked: list[tuple[str, object]] = []

    def note(_c: object, _cursor: object, statement: str, values: object, _x: object, _many: bool) -> None:
        if "FROM cases" in statement and "ORDER BY" in statement:
            asked.append((statement, values))

    event.listen(house.portal.database.engine, "before_cursor_execute", note)
    try:
        with reading(house.portal, house.actors[who]) as work:
            first = list_cases(work, CaseFilter(state=state), limit=2)
            list_cases(work, CaseFilter(state=state), cursor=first.next_cursor, limit=2)
    finally:
        event.remove(house.portal.database.engine, "before_cursor_execute", note)
    assert len(asked) == 2
    for statement, values in asked:
        with house.portal.database.engine.connect() as connection:
            plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values).fetchall()  # type: ignore[arg-type]
        steps = [row[3] for row in plan]
        assert any("cases USING INDEX ix_cases_" in step for step in steps), steps
        assert not any("TEMP B-TREE" in step for step in steps), steps

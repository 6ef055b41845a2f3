"""A rescan from the clinic's upload to the finding, on a real database, measured in a confined child."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from sqlmodel import select

from server.accounts.work import PORTAL, reading
from server.cases.tables import Case
from server.inspection.child import ChildLimits, ChildPool
from server.inspection.jobs import give_up_together, measure_together
from server.inspection.tables import KeptMeasurement
from server.measures.change import CHANGE
from server.measures.measure import Status
from server.metrology.rigid import apply
from server.records.roles import Role
from server.rules.limit import Level, Outcome
from tests.inspection.house import House, here
from tests.measures.files import stl
from tests.metrology.registration.landscapes import Height, frame, hills, meshed

RULE = "round/changed-too-much"
AT = np.array([8.0, 5.0, 0.0])


def _scan(take: int, change: Height | None = None) -> bytes:
    made = meshed(hills(6), take, change=change)
    return stl(apply(frame(take), made.vertices)[made.faces])


def _swelling(by_mm: float) -> Height:
    return lambda x, y: by_mm * np.exp(-((x - AT[0]) ** 2 + (y - AT[1]) ** 2) / (2.0 * 6.0**2))


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with ChildPool(1, ChildLimits(4 * 1024**3, 300.0, 600.0)) as pool:
        made = House(tmp_path_factory.mktemp("portal"), run=pool.run)
        yield made
        made.portal.database.close()


def _returned(house: House, code: str) -> tuple[str, str]:
    """A case whose tissue scan the lab has sent back; the case's and the record's id."""
    case_id = house.case(house.ada, code)
    record_id = house.send(house.ada, case_id, _scan(1), Role.TISSUE)
    house.submit(house.ada, case_id)
    house.give_back(case_id)
    return case_id, record_id


def test_a_first_round_costs_nothing(house: House) -> None:
    case_id = house.case(house.ada, "R-1")
    house.send(house.ada, case_id, _scan(1), Role.TISSUE)
    assert house.found(case_id, RULE) == []
    with reading(house.portal, PORTAL) as work:
        kept = work.session.exec(select(KeptMeasurement).where(KeptMeasurement.measure == CHANGE.name)).all()
    assert [row for row in kept if row.about == case_id] == []
    assert not house.standing(case_id).lacking


def _never(*_: object) -> tuple[()]:
    raise AssertionError("nothing was to be measured")


@pytest.mark.parametrize(
    ("by_mm", "level"), [(0.0, Level.CLEAR), (0.7, Level.LOOK), (1.8, Level.RETURN)], ids=str
)
def test_a_rescan_is_measured_in_the_child_and_judged(house: House, by_mm: float, level: Level) -> None:
    case_id, record_id = _returned(house, f"R-{by_mm}")
    house.send(house.ada, case_id, _scan(2, _swelling(by_mm)), Role.TISSUE, replaces=record_id)
    assert house.standing(case_id).lacking
    found = house.found(case_id, RULE)
    assert not house.standing(case_id).lacking
    assert [f.level for f in found] == ([] if level is Level.CLEAR else [level])
    made = house.standing(case_id).evidence.measurements[CHANGE.name]
    assert made.status is Status.MEASURED, made.says
    if found:
        assert found[0].outcome is Outcome.FAILED
        assert found[0].value == pytest.approx(by_mm, rel=0.15)
        (place,) = found[0].where
        height = float(hills(6)(AT[:1], AT[1:2])[0]) + by_mm
        true = apply(frame(2), np.array([[AT[0], AT[1], height]]))[0]
        assert np.linalg.norm(np.array(place.point_mm) - true) < 4.0


def test_it_is_measured_once(house: House) -> None:
    case_id, record_id = _returned(house, "R-3")
    house.send(house.ada, case_id, _scan(3), Role.TISSUE, replaces=record_id)
    measure_together(house.portal, here, case_id)
    measure_together(house.portal, _never, case_id)
    assert house.found(case_id, RULE) == []


def test_where_measuring_breaks_again_and_again_the_case_is_still_judged(house: House) -> None:
    case_id, record_id = _returned(house, "R-4")
    house.send(house.ada, case_id, _scan(4), Role.TISSUE, replaces=record_id)
    give_up_together(house.portal, case_id)
    (found,) = house.found(case_id, RULE)
    assert (found.outcome, found.level) == (Outcome.CRASHED, Level.LOOK)
    with reading(house.portal, PORTAL) as work:
        assert work.session.get_one(Case, case_id).round_number == 2

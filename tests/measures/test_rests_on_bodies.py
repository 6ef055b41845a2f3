"""The catalogue's digest in the address of a measure: there where the measure, or one it needs, looks at bodies."""

from __future__ import annotations

from typing import Any

import pytest

from server.inspection.measuring import record_keys
from server.measures.bench import RecordBench
from server.measures.case_bench import CaseBench
from server.measures.measure import CaseMeasure, RecordMeasure, Result, case_inputs
from server.records.case_form import CaseForm, RecordEntry, Spots
from server.records.roles import Role, Unit

JAW = frozenset({Role.JAW})
ROWS = [["jaw.stl", "jaw", "mm", "1" * 64, ""]]


class Nothing(Result):
    pass


def _nothing(_: RecordBench | CaseBench) -> Nothing:
    return Nothing()


def of_record(**said: Any) -> RecordMeasure[Nothing]:
    return RecordMeasure("test.record", 1, Nothing, JAW, _nothing, **said)


def of_case(**said: Any) -> CaseMeasure[Nothing]:
    return CaseMeasure("test.case", 1, Nothing, JAW, _nothing, **said)


PLAIN = of_record()
LOOKING = of_record(uses_bodies=True)
RESTING = of_record(needs=(LOOKING,))


@pytest.mark.parametrize(("measure", "rests"), [(PLAIN, False), (LOOKING, True), (RESTING, True)])
def test_a_record_measure_has_another_key_under_another_catalogue(
    measure: RecordMeasure[Nothing], rests: bool
) -> None:
    keys = {measure.key("1" * 64, Unit.MM, Role.JAW, digest) for digest in ("", "a", "b")}
    assert measure.rests_on_bodies is rests
    assert len(keys) == (3 if rests else 1)


@pytest.mark.parametrize(("needs", "rests"), [((), False), ((PLAIN,), False), ((PLAIN, RESTING), True)])
def test_a_case_measure_rests_on_bodies_through_what_it_needs(
    needs: tuple[RecordMeasure[Any], ...], rests: bool
) -> None:
    keys = {of_case(needs=needs).key(ROWS, CaseForm(), digest) for digest in ("", "a", "b")}
    assert len(keys) == (3 if rests else 1)


def test_a_case_measure_hangs_on_all_that_those_it_builds_on_hang_on() -> None:
    below = CaseMeasure(
        "test.below",
        1,
        Nothing,
        frozenset({Role.TISSUE}),
        _nothing,
        needs=(RESTING,),
        form_part=lambda form: form.patient_code,
    )
    above = of_case(builds_on=(below,))
    assert above.looks_at == {Role.JAW, Role.TISSUE}
    assert set(below.chain) < set(above.chain)
    rows = {
        name: (Role(name), Unit.MM, sha256, "") for name, sha256 in (("jaw", "1" * 64), ("tissue", "2" * 64))
    }
    assert [row[0] for row in case_inputs(above, rows)] == ["jaw", "tissue"]
    keys = {above.key(ROWS, CaseForm(patient_code=code), digest) for code in ("A", "B") for digest in "ab"}
    assert len(keys) == 4


def test_spots_matched_by_hand_are_part_of_what_bodies_rest_on() -> None:
    corners = ((0.0, 0.0, 0.0), (3.0, 0.0, 0.0), (0.0, 3.0, 0.0))
    spots = Spots(body="rb-60", scan_mm=corners, body_mm=corners)
    entry = RecordEntry(role=Role.JAW, file="jaw.stl", unit=Unit.MM)
    by_hand = entry.model_copy(update={"spots": (spots,)})
    plain, said = record_keys(entry, "1" * 64, "a"), record_keys(by_hand, "1" * 64, "a")
    assert {name for name in plain if plain[name] != said[name]} == {"bodies.found"}
    measure = of_case(needs=(LOOKING,))
    without, with_them = CaseForm(records=(entry,)), CaseForm(records=(by_hand,))
    assert measure.key(ROWS, without, "a") != measure.key(ROWS, with_them, "a")
    assert of_case().key(ROWS, without, "a") == of_case().key(ROWS, with_them, "a")

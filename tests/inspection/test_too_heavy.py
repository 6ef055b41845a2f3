from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from server.inspection.child import (
    ChildDied,
    ChildLimits,
    ChildLost,
    ChildOutOfMemory,
    ChildPool,
    ChildrenUnavailable,
    ChildTimedOut,
)
from server.inspection.measuring import RecordFile, measure_record
from server.inspection.too_heavy import measured_record
from server.measures.graph import RECORD_MEASURES
from server.measures.measure import Measurement, Status
from server.measures.reading import READING, ReadingResult
from server.records.case_form import RecordEntry
from server.records.roles import Role, Unit
from tests.measures.files import patch, stl


def _record(folder: Path) -> tuple[RecordFile, str]:
    data = stl(patch(40.0))
    path = folder / "jaw.stl"
    path.write_bytes(data)
    entry = RecordEntry(role=Role.JAW, file="jaw.stl", unit=Unit.MM)
    return RecordFile(entry, str(path)), hashlib.sha256(data).hexdigest()


def _losing(lost: Exception) -> Callable[..., tuple[Measurement, ...]]:
    def run(*_: object) -> tuple[Measurement, ...]:
        raise lost

    return run


@pytest.mark.parametrize("kind", [ChildTimedOut, ChildOutOfMemory, ChildDied])
def test_a_lost_child_makes_the_record_too_heavy(kind: type[ChildLost], tmp_path: Path) -> None:
    record, sha256 = _record(tmp_path)
    made = measured_record(_losing(kind("It was too much.")), record, sha256)
    by_name = {m.measure: m for m in made}
    refusal = ReadingResult.model_validate(by_name.pop(READING.name).result).refusal
    assert refusal is not None
    assert (refusal.rule, refusal.reason, refusal.says) == ("file/too-heavy", "given-up", "It was too much.")
    assert {m.status for m in by_name.values()} == {Status.NOT_MEASURED}
    assert {m.because for m in by_name.values()} == {"file/too-heavy"}


def test_keys_and_measures_are_those_of_a_measured_record(tmp_path: Path) -> None:
    record, sha256 = _record(tmp_path)
    lost = measured_record(_losing(ChildDied("gone")), record, sha256)
    measured = measure_record(record)
    assert [(m.key, m.measure, m.revision) for m in lost] == [
        (m.key, m.measure, m.revision) for m in measured
    ]
    assert len(lost) == sum(Role.JAW in m.roles for m in RECORD_MEASURES)


def test_no_child_at_hand_says_nothing_of_the_file(tmp_path: Path) -> None:
    record, sha256 = _record(tmp_path)
    with pytest.raises(ChildrenUnavailable):
        measured_record(_losing(ChildrenUnavailable("closed")), record, sha256)


def test_a_child_measures_as_this_process_does(tmp_path: Path) -> None:
    record, sha256 = _record(tmp_path)
    with ChildPool(1, ChildLimits(4 * 1024**3, 120.0, 240.0)) as pool:
        there = measured_record(pool.run, record, sha256)
    here = measure_record(record)
    assert [(m.key, m.status, m.result) for m in there] == [(m.key, m.status, m.result) for m in here]


def test_a_record_beyond_the_time_allowed(tmp_path: Path) -> None:
    record, sha256 = _record(tmp_path)
    with ChildPool(1, ChildLimits(4 * 1024**3, 0.001, 240.0)) as pool:
        made = measured_record(pool.run, record, sha256)
    assert {m.because for m in made if m.measure != READING.name} == {"file/too-heavy"}


@pytest.mark.parametrize(("kind", "n_asked"), [(ChildDied, 2), (ChildTimedOut, 1), (ChildOutOfMemory, 1)])
def test_only_one_that_died_is_asked_for_again(kind: type[ChildLost], n_asked: int, tmp_path: Path) -> None:
    record, sha256 = _record(tmp_path)
    asked: list[object] = []

    def run(function: Callable[..., tuple[Measurement, ...]], *arguments: object) -> tuple[Measurement, ...]:
        asked.append(function)
        if len(asked) == 1:
            raise kind("lost")
        return function(*arguments)

    made = measured_record(run, record, sha256)
    assert len(asked) == n_asked
    is_measured = any(m.measure != READING.name and m.status is Status.MEASURED for m in made)
    assert is_measured == (kind is ChildDied)

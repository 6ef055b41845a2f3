"""A child that warmed up has run what will be asked of it: on the small mouth every measure finds what it looks for."""

from __future__ import annotations

import pytest

from server.inspection import warm
from server.measures.bodies import BODIES, BodiesResult
from server.measures.graph import CASE_MEASURES, RECORD_MEASURES
from server.measures.measure import Measurement, Status


def test_every_measure_runs_to_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[Measurement] = []
    for name in ("measure_record", "measure_case"):
        function = getattr(warm, name)

        def noted(*arguments: object, function=function, **named: object) -> tuple[Measurement, ...]:  # type: ignore[no-untyped-def]
            answer: tuple[Measurement, ...] = function(*arguments, **named)
            made.extend(answer)
            return answer

        monkeypatch.setattr(warm, name, noted)
    warm.warm_up()
    assert [(m.measure, m.says) for m in made if m.status is not Status.MEASURED] == []
    assert {m.measure for m in made} >= {m.name for m in (*RECORD_MEASURES, *CASE_MEASURES)}
    found = [BodiesResult.model_validate(m.result) for m in made if m.measure == BODIES.name]
    assert [len(f.bodies) for f in found] == [4, 4]

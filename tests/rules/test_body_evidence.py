"""A list of implant positions shows no surface of a body: nothing was left unmeasured there."""

from __future__ import annotations

import pytest

from server.measures.reading import READING
from server.records.roles import Role
from server.rules.catalogue.bodies.coverage import RULE as COVERAGE
from server.rules.catalogue.bodies.fit import RULE as FIT
from server.rules.limit import Level, Outcome
from server.rules.rule import Rule
from tests.measures.files import TABLE, bench, patch, stl
from tests.rules.good_set import ask, case, record


@pytest.mark.parametrize("rule", [COVERAGE, FIT])
@pytest.mark.parametrize(
    ("data", "name", "outcome"),
    [
        (TABLE, "markers.csv", Outcome.NOT_APPLICABLE),
        (stl(patch(40.0)), "markers.stl", Outcome.NOT_MEASURED),
    ],
)
def test_a_table_is_not_asked_for_surfaces(rule: Rule, data: bytes, name: str, outcome: Outcome) -> None:
    (made,) = bench(data, name, Role.MARKERS).run([READING], {})
    markers = record(made, role=Role.MARKERS, file=name)
    found = [f for f in ask(rule, case(markers)) if f.records == (name,)]
    assert [f.outcome for f in found] == [outcome]
    assert (found[0].level is Level.CLEAR) is (outcome is Outcome.NOT_APPLICABLE)

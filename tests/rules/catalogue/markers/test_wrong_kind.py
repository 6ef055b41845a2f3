from __future__ import annotations

from dataclasses import replace

from server.measures.measure import Measurement, Status
from server.measures.reading import READING
from server.rules.catalogue.markers.wrong_kind import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, records
from tests.rules.positions import positions
from tests.rules.standing import kind, seen


def test_the_sites_own_kind_passes() -> None:
    assert ask_one(RULE, positions()).outcome is Outcome.PASSED


def test_another_kind_is_returned_with_both_names() -> None:
    other = tuple(seen(k, body="rb-45", kinds=(kind("rb-45", 72.0), kind("rb-60", 30.0))) for k in range(4))
    found = ask_one(RULE, positions(*other))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)
    assert "4 of its 4 bodies are rb-45" in found.says
    assert "rb-60" in found.says


def test_what_nearly_explains_as_much_passes() -> None:
    alike = tuple(seen(k, kinds=(kind("rb-45", 80.0), kind("rb-60", 70.0))) for k in range(4))
    assert ask_one(RULE, positions(*alike)).outcome is Outcome.PASSED


def test_without_any_name_it_does_not_apply() -> None:
    unnamed = {"sites": [{"tooth": "36"}], "records": records(without="photo")}
    assert ask_one(RULE, positions(form=unnamed)).outcome is Outcome.NOT_APPLICABLE


def test_a_table_shows_no_body() -> None:
    table = positions()
    read = Measurement(
        key="k",
        measure=READING.name,
        revision=1,
        status=Status.MEASURED,
        result={"format": "table-csv"},
    )
    markers = table.records[1]
    shown = replace(markers, measurements={READING.name: read})
    assert ask_one(RULE, replace(table, records=(table.records[0], shown))).outcome is Outcome.NOT_APPLICABLE

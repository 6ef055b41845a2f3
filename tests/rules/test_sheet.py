from __future__ import annotations

import math

import pytest

from server.records.case_form import Prosthesis
from server.rules.catalogue import RULES
from server.rules.catalogue.markers.missing import RULE as MARKERS_MISSING
from server.rules.catalogue.vertical.unrepeatable import RULE as UNREPEATABLE
from server.rules.limit import Level
from server.rules.rule import VALUE
from server.rules.sheet import SheetUnusable, ToleranceSheet, default_sheet, read_sheet


def _sheet(**fields: object) -> ToleranceSheet:
    return ToleranceSheet.model_validate({"name": "own", "version": 2, **fields})


def test_what_a_sheet_does_not_name_keeps_the_default() -> None:
    assert _sheet().limit(UNREPEATABLE, VALUE) == UNREPEATABLE.limits[VALUE]


def test_a_lone_limit_may_be_given_directly_and_brings_its_source() -> None:
    limit = _sheet(limits={UNREPEATABLE.id: {"look": 0.5, "return": 1.0}}).limit(UNREPEATABLE, VALUE)
    assert (limit.look, limit.return_, limit.source) == (0.5, 1.0, "set by the lab")


def test_a_return_of_null_never_returns() -> None:
    limit = _sheet(limits={UNREPEATABLE.id: {"look": 0.5, "return": None}}).limit(UNREPEATABLE, VALUE)
    assert limit.return_ == math.inf


def test_levels_default_own_and_definitive() -> None:
    assert _sheet().level(MARKERS_MISSING) is Level.LOOK
    assert _sheet(prosthesis="definitive").level(MARKERS_MISSING) is Level.RETURN
    own = _sheet(prosthesis="definitive", levels={MARKERS_MISSING.id: "clear"})
    assert own.level(MARKERS_MISSING) is Level.CLEAR


@pytest.mark.parametrize(
    "fields",
    [
        {"limits": {"no/such": {"look": 1, "return": 2}}},
        {"limits": {UNREPEATABLE.id: {"nothing": {"look": 1, "return": 2}}}},
        {"limits": {UNREPEATABLE.id: {"look": 2, "return": 1}}},
        {"levels": {"no/such": "look"}},
    ],
)
def test_a_sheet_that_makes_no_sense_is_refused(fields: dict[str, object]) -> None:
    with pytest.raises(SheetUnusable):
        _sheet(**fields).check_against(RULES)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        '{"name": "x"}',
        '{"name": "x", "version": 1, "more": 1}',
        '{"name": "x", "version": 1, "limits": {"a": {"look": NaN, "return": 1}}}',
    ],
)
def test_text_that_is_no_sheet_is_refused(text: str) -> None:
    with pytest.raises(SheetUnusable):
        read_sheet(text)


def test_a_sheet_survives_its_own_json() -> None:
    sheet = _sheet(
        limits={UNREPEATABLE.id: {"look": 0.5, "return": None}}, levels={MARKERS_MISSING.id: "note"}
    )
    assert read_sheet(sheet.model_dump_json()) == sheet


def test_the_prosthesis_chooses_the_default_sheet() -> None:
    assert default_sheet(Prosthesis.DEFINITIVE).prosthesis is Prosthesis.DEFINITIVE
    assert default_sheet(Prosthesis.TRY_IN) == default_sheet(Prosthesis.PROVISIONAL) == default_sheet(None)

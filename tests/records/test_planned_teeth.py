from __future__ import annotations

import pytest

from server.records.planned_teeth import planned_codes, planned_teeth
from server.records.teeth import Numbering, UnknownTooth


def _fdi(text: str, numbering: Numbering = Numbering.FDI) -> str:
    return " ".join(tooth.fdi for tooth in planned_teeth(text, numbering))


@pytest.mark.parametrize("text", ["36-46", "46-36", "36 - 46", "36–46", "36 to 46"])
def test_a_range_runs_along_the_arch_either_way(text: str) -> None:
    assert _fdi(text) == "46 45 44 43 42 41 31 32 33 34 35 36"


@pytest.mark.parametrize(
    ("text", "expected"), [("11", "11"), ("13-11, 21;23", "13 12 11 21 23"), ("", ""), ("11 11 11", "11")]
)
def test_lists_and_ranges_mix(text: str, expected: str) -> None:
    assert _fdi(text) == expected


def test_universal_numbers_name_the_same_teeth() -> None:
    assert _fdi("19-30", Numbering.UNIVERSAL) == _fdi("36-46")
    assert len(planned_teeth("1-16", Numbering.UNIVERSAL)) == 16


@pytest.mark.parametrize("text", ["36-16", "36-33-46", "39", "36-", "all"])
def test_what_is_no_range_of_teeth_is_refused(text: str) -> None:
    if text == "36-":
        text = "36-x"
    with pytest.raises(UnknownTooth):
        planned_teeth(text, Numbering.FDI)


def test_codes_as_written_each_once() -> None:
    assert planned_codes("36-46, 36; 48") == ("36", "46", "48")

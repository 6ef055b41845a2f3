from __future__ import annotations

import contextlib
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.metrology.readers.reading import Unreadable
from server.records.marker_table import MOST_ROWS, is_marker_table, read_marker_table

HEADING = "tooth,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z"
CLOCKED = f"{HEADING},clock_x,clock_y,clock_z"
ROW = "36,1.5,-2.25,3,0,0,1"


def _csv(*rows: str, heading: str = HEADING) -> bytes:
    return "\n".join([heading, *rows]).encode()


def test_a_table_is_read_to_the_digit() -> None:
    table = read_marker_table(_csv(ROW, " 46 , 4,5,6, 0,0,-2"))
    assert table.format == "csv"
    assert [(row.tooth, row.seat_mm, row.axis, row.clock) for row in table.rows] == [
        ("36", (1.5, -2.25, 3.0), (0.0, 0.0, 1.0), None),
        ("46", (4.0, 5.0, 6.0), (0.0, 0.0, -1.0), None),
    ]
    assert [note.code for note in table.notes] == ["axis-not-unit"]


def test_clocking_columns_are_read_and_may_be_empty_in_a_row() -> None:
    table = read_marker_table(_csv("36,0,0,0,0,0,1,3,0,0", ",1,1,1,0,0,1,,,", heading=CLOCKED))
    assert [row.clock for row in table.rows] == [(1.0, 0.0, 0.0), None]
    assert table.rows[1].tooth == ""
    assert table.notes == ()


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbf" + _csv(ROW),
        _csv(ROW).replace(b"\n", b"\r\n"),
        _csv(ROW, "", ""),
        b"\n" + _csv(ROW),
        _csv(ROW, heading=HEADING.upper()),
        _csv('"36",1.5,-2.25,3,0,0,1'),
        _csv("1.5,-2.25,3,36,0,0,1", heading="x_mm,y_mm,z_mm,tooth,axis_x,axis_y,axis_z"),
        b'[{"tooth": "36", "x_mm": 1.5, "y_mm": -2.25, "z_mm": 3, "axis_x": 0, "axis_y": 0, "axis_z": 1}]',
        b'{"markers": [{"tooth": 36, "x_mm": 1.5, "y_mm": -2.25, "z_mm": 3, "axis_x": 0, '
        b'"axis_y": 0, "axis_z": 1}]}',
    ],
)
def test_legal_variants_read_alike(data: bytes) -> None:
    (row,) = read_marker_table(data).rows
    assert (row.tooth, row.seat_mm, row.axis) == ("36", (1.5, -2.25, 3.0), (0.0, 0.0, 1.0))


def test_a_tooth_given_twice_is_noted() -> None:
    assert [note.code for note in read_marker_table(_csv(ROW, ROW)).notes] == ["tooth-repeated"]


def test_json_without_tooth_and_with_null_clock() -> None:
    row = {"x_mm": 1, "y_mm": 2, "z_mm": 3, "axis_x": 0, "axis_y": 1, "axis_z": 0, "clock_x": None}
    (read,) = read_marker_table(json.dumps([row]).encode()).rows
    assert (read.tooth, read.clock) == ("", None)


@pytest.mark.parametrize(
    ("data", "reason", "rule"),
    [
        (b"", "empty", "file/unreadable"),
        (b" \n ", "empty", "file/unreadable"),
        (b"\xff\xfet\x00", "utf-16-text", "file/unreadable"),
        (b"\x80abc", "marker-table-encoding", "file/unreadable"),
        (_csv(ROW) + b"\0", "nul-bytes", "file/unreadable"),
        (b",,,\n,,,", "marker-table-empty", "file/unreadable"),
        (_csv(), "marker-table-empty", "file/unreadable"),
        (b"[]", "marker-table-empty", "file/unreadable"),
        (_csv(*[ROW] * (MOST_ROWS + 1)), "marker-table-too-long", "file/unreadable"),
        (b" " * 1_000_001, "marker-table-too-long", "file/unreadable"),
        (_csv(ROW.replace(",", ";"), heading=HEADING.replace(",", ";")), "decimal-commas", "file/unreadable"),
        (_csv("36,1,5,-2,25,3,0,0,1"), "marker-table-row", "file/unreadable"),
        (_csv("36,1.5,-2.25,3,0,0"), "marker-table-row", "file/unreadable"),
        (_csv(ROW, heading="tooth,x,y,z,axis_x,axis_y,axis_z"), "marker-table-columns", "file/unreadable"),
        (_csv(ROW + ",1", heading=HEADING + ",name"), "marker-table-columns", "file/unreadable"),
        (_csv(ROW + ",1", heading=HEADING + ",x_mm"), "marker-table-columns", "file/unreadable"),
        (_csv(ROW + ",1", heading=HEADING + ",clock_x"), "marker-table-columns", "file/unreadable"),
        (_csv("36,1.5,-2.25,3mm,0,0,1"), "bad-number", "file/unreadable"),
        (_csv("36,1_5,-2.25,3,0,0,1"), "bad-number", "file/unreadable"),
        (_csv("36,,-2.25,3,0,0,1"), "bad-number", "file/unreadable"),
        (_csv("36,nan,-2.25,3,0,0,1"), "not-finite", "file/non-finite"),
        (_csv("36,1.5,-2.25,3,0,0,inf"), "not-finite", "file/non-finite"),
        (_csv("36,3e38,-2.25,3,0,0,1"), "beyond-range", "file/non-finite"),
        (_csv("36,1.5,-2.25,3,0,0,0"), "marker-table-axis", "file/unreadable"),
        (_csv("36,0,0,0,0,0,1,0,0,1", heading=CLOCKED), "marker-table-axis", "file/unreadable"),
        (_csv("36,0,0,0,0,0,1,1,,", heading=CLOCKED), "bad-number", "file/unreadable"),
        (_csv('36,"1.5,-2.25,3,0,0,1'), "marker-table-statement", "file/unreadable"),
        (b'[{"tooth": ', "marker-table-statement", "file/unreadable"),
        (b"[1, 2]", "marker-table-statement", "file/unreadable"),
        (b'{"a": 1, "b": 2}', "marker-table-statement", "file/unreadable"),
        (b"[" * 100_000, "marker-table-statement", "file/unreadable"),
        (b'[{"x_mm": 1}]', "marker-table-columns", "file/unreadable"),
        (b'[{"x_mm": 1, "x_mm": 2}]', "marker-table-statement", "file/unreadable"),
    ],
)
def test_what_is_no_table_is_refused_with_its_reason(data: bytes, reason: str, rule: str) -> None:
    with pytest.raises(Unreadable) as caught:
        read_marker_table(data)
    assert (caught.value.reason, caught.value.rule) == (reason, rule)
    assert caught.value.remedy


@pytest.mark.parametrize("value", ["true", "[1]", '{"a": 1}', "1e999", "1" + "0" * 400])
def test_json_values_that_are_no_coordinates_are_refused(value: str) -> None:
    row = '[{"x_mm": VALUE, "y_mm": 0, "z_mm": 0, "axis_x": 0, "axis_y": 0, "axis_z": 1}]'
    with pytest.raises(Unreadable):
        read_marker_table(row.replace("VALUE", value).encode())


@given(st.binary(max_size=400))
def test_any_bytes_end_in_a_table_or_a_reason(data: bytes) -> None:
    with contextlib.suppress(Unreadable):
        rows = read_marker_table(data).rows
        assert all(math.isfinite(c) for row in rows for c in (*row.seat_mm, *row.axis))


@given(st.text(alphabet='tooth,x_mayz123.-\n"[]{}:', max_size=200))
def test_any_text_beside_a_table_ends_in_a_table_or_a_reason(text: str) -> None:
    with contextlib.suppress(Unreadable):
        assert read_marker_table(_csv(text)).rows


@pytest.mark.parametrize(
    ("name", "data", "expected"),
    [
        ("positions.csv", b"id;x", True),
        ("positions.json", b"\x00", True),
        ("positions.txt", b"\xef\xbb\xbf Tooth,x_mm", True),
        ("positions", b"[{", True),
        ("markers.stl", b"solid", False),
        ("markers.obj", b"v 0 0 0", False),
        ("markers.ply", b"ply\n", False),
    ],
)
def test_a_table_is_told_from_a_mesh(name: str, data: bytes, expected: bool) -> None:
    assert is_marker_table(data, name) is expected

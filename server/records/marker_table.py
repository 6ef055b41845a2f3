"""Implant positions as a table: CSV or JSON, read strictly.

CSV: `tooth,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z[,clock_x,clock_y,clock_z]`, a heading and one row per site,
columns in any order. JSON: a list of objects with the same names, or one object that holds nothing but such
a list. A position is the seat of the site's reference body; the axis points away from the seat. tooth may
be empty.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from server.metrology.readers.reading import ReadingNote, Unreadable

Vector3 = tuple[float, float, float]

SEAT = ("x_mm", "y_mm", "z_mm")
AXIS = ("axis_x", "axis_y", "axis_z")
CLOCK = ("clock_x", "clock_y", "clock_z")
REQUIRED = ("tooth", *SEAT, *AXIS)

MOST_ROWS = 64
MOST_BYTES = 1_000_000
FARTHEST_MM = 1e6
"""A position beyond a kilometre is a slip, not a place."""
SHORTEST = 1e-6
"""A direction shorter than this has no direction."""
UNIT_LENGTH_SLACK = 0.01
LEAST_CLOCK_SINE = 0.05
"""A clocking direction within 3° of the axis turns with the noise of either."""

_REMEDY = (
    "Export the positions again as a table with the columns tooth, x_mm, y_mm, z_mm, axis_x, axis_y, axis_z "
    "and, where known, clock_x, clock_y, clock_z; decimal points, commas between columns."
)


@dataclass(frozen=True, slots=True)
class MarkerRow:
    """One site. tooth: as written, seat_mm in the table's frame; axis, clock of length 1."""

    tooth: str
    seat_mm: Vector3
    axis: Vector3
    clock: Vector3 | None = None


@dataclass(frozen=True, slots=True)
class MarkerTable:
    """Rows in the file's order. format: csv or json."""

    format: str
    rows: tuple[MarkerRow, ...]
    notes: tuple[ReadingNote, ...] = ()


def is_marker_table(data: bytes, file_name: str) -> bool:
    """Whether a file of implant positions is meant as a table: by its ending or by how it begins."""
    begins = data[:64].removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    return PurePosixPath(file_name.lower()).suffix in (".csv", ".json") or begins.startswith(
        (b"[", b"{", b"tooth")
    )


def read_marker_table(data: bytes) -> MarkerTable:
    """The positions in a table. Raises Unreadable, with the row and column that are wrong."""
    text = _text(data)
    is_json = text.lstrip()[:1] in ("[", "{")
    cells = list(_json_rows(text) if is_json else _csv_rows(text))
    if not cells:
        raise _refusal("marker-table-empty", "The table holds no positions.")
    if len(cells) > MOST_ROWS:
        raise _refusal(
            "marker-table-too-long", f"The table holds more than {MOST_ROWS} rows; a jaw has 16 sites."
        )
    rows = tuple(_row(number, row) for number, row in enumerate(cells, start=1))
    return MarkerTable("json" if is_json else "csv", rows, tuple(_notes(cells, rows)))


def _text(data: bytes) -> str:
    if len(data) > MOST_BYTES:
        says = f"The table is {len(data):,} bytes long; that of a jaw has a few kilobytes."
        raise _refusal("marker-table-too-long", says)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _refusal("utf-16-text", "The table is written as UTF-16 text.")
    if not data.strip():
        raise _refusal("empty", "The file is empty.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _refusal(
            "marker-table-encoding", f"Byte {error.start} of the table is not UTF-8 text."
        ) from error
    if "\0" in text:
        raise _refusal("nul-bytes", "The table holds zero bytes; it is damaged.")
    return text


def _csv_rows(text: str) -> Iterator[Mapping[str, Any]]:
    if ";" in next((line for line in text.splitlines() if line.strip()), ""):
        raise _refusal("decimal-commas", "The columns are separated by semicolons, as with decimal commas.")
    try:
        lines = [
            row for row in csv.reader(io.StringIO(text), strict=True) if any(cell.strip() for cell in row)
        ]
    except csv.Error as error:
        raise _refusal("marker-table-statement", f"The table is not plain CSV ({error}).") from error
    if not lines:
        raise _refusal("marker-table-empty", "The table holds no positions.")
    heading = [cell.strip().lower() for cell in lines[0]]
    _check_columns(heading, "The heading")
    for number, row in enumerate(lines[1:], start=1):
        if len(row) != len(heading):
            says = f"Row {number} has {len(row)} columns, the heading {len(heading)}."
            if len(row) > len(heading):
                says += " Decimal commas do that."
            raise _refusal("marker-table-row", says)
        yield dict(zip(heading, row, strict=True))


def _json_rows(text: str) -> Iterator[Mapping[str, Any]]:
    try:
        data = json.loads(text, object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        raise _refusal("marker-table-statement", f"The table is not JSON ({str(error)[:120]}).") from error
    if isinstance(data, dict) and len(data) == 1:
        data = next(iter(data.values()))
    if not isinstance(data, list) or not all(isinstance(row, dict) for row in data):
        raise _refusal("marker-table-statement", "The JSON is not a list of positions.")
    for number, row in enumerate(data, start=1):
        named = {str(name).strip().lower(): value for name, value in row.items() if value is not None}
        _check_columns([*named, *([] if "tooth" in named else ["tooth"])], f"Row {number}")
        yield {"tooth": "", **named}


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len(pairs) != len(dict(pairs)):
        raise ValueError("a name is given twice")
    return dict(pairs)


def _check_columns(names: list[str], where: str) -> None:
    known = {*REQUIRED, *CLOCK}
    problems = [f"lacks {name}" for name in REQUIRED if name not in names]
    problems += [f"has the unknown column {name[:40]!r}" for name in names if name not in known]
    problems += [f"has {name} twice" for name in sorted({n for n in names if names.count(n) > 1})]
    clocks = [name for name in CLOCK if name in names]
    if clocks and len(clocks) < len(CLOCK):
        problems.append("has only a part of clock_x, clock_y, clock_z")
    if problems:
        raise _refusal("marker-table-columns", f"{where} {'; '.join(problems[:4])}.")


def _row(number: int, cells: Mapping[str, Any]) -> MarkerRow:
    seat_mm = _vector(number, cells, SEAT)
    if max(map(abs, seat_mm)) > FARTHEST_MM:
        raise _refusal(
            "beyond-range", f"Row {number} lies more than a kilometre away.", rule="file/non-finite"
        )
    axis = _direction(number, _vector(number, cells, AXIS), "axis")
    clock = None
    if any(str(cells.get(name, "")).strip() for name in CLOCK):
        clock = _direction(number, _vector(number, cells, CLOCK), "clocking direction")
        if math.hypot(*_cross(axis, clock)) < LEAST_CLOCK_SINE:
            raise _refusal(
                "marker-table-axis", f"In row {number} the clocking direction runs along the axis."
            )
    return MarkerRow(_tooth(number, cells["tooth"]), seat_mm, axis, clock)


def _tooth(number: int, value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, (str, int)) or len(str(value)) > 40:
        raise _refusal("marker-table-row", f"In row {number} the tooth is not a tooth code.")
    return str(value).strip()


def _vector(number: int, cells: Mapping[str, Any], names: tuple[str, str, str]) -> Vector3:
    x, y, z = (_number(number, name, cells.get(name, "")) for name in names)
    return x, y, z


def _number(row: int, name: str, value: Any) -> float:
    is_number = isinstance(value, (int, float, str)) and not isinstance(value, bool)
    try:
        number = float(value) if is_number and "_" not in str(value) else None
    except (ValueError, OverflowError):
        number = None
    if number is None:
        raise _refusal("bad-number", f"In row {row}, {name} is not a number.")
    if not math.isfinite(number):
        raise _refusal("not-finite", f"In row {row}, {name} is not a finite number.", rule="file/non-finite")
    return number


def _direction(row: int, v: Vector3, what: str) -> Vector3:
    length = math.hypot(*v)
    if not SHORTEST < length < math.inf:
        raise _refusal("marker-table-axis", f"In row {row} the {what} has no length.")
    return v[0] / length, v[1] / length, v[2] / length


def _cross(a: Vector3, b: Vector3) -> Vector3:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def _notes(cells: Iterable[Mapping[str, Any]], rows: tuple[MarkerRow, ...]) -> Iterator[ReadingNote]:
    lengths = (math.hypot(*(float(row[name]) for name in AXIS)) for row in cells)
    scaled = sum(abs(length - 1.0) > UNIT_LENGTH_SLACK for length in lengths)
    if scaled:
        yield ReadingNote(
            "axis-not-unit", f"{scaled} axes are not of length 1; only their direction was used."
        )
    teeth = [row.tooth for row in rows if row.tooth]
    if len(set(teeth)) < len(teeth):
        yield ReadingNote("tooth-repeated", "A tooth code is given to more than one position.")


def _refusal(reason: str, says: str, *, rule: str = "file/unreadable") -> Unreadable:
    return Unreadable(reason, says, remedy=_REMEDY, rule=rule)

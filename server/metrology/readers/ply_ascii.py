"""The rows of an ASCII PLY: one line each."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.readers.numerals import Bytes, read_numeral
from server.metrology.readers.ply_header import Element, PlyHeader
from server.metrology.readers.ply_rows import PlyRows, colour_notes, cut_short, rgb_of, wanted
from server.metrology.readers.reasons import Reason
from server.metrology.readers.weld import Indices
from server.metrology.readers.words import (
    ENDS_EARLY,
    FINE,
    INDEX_OUT_OF_RANGE,
    LINE_TOO_LONG,
    LIST_LENGTH,
    ROW_TOO_LONG,
    ROW_TOO_SHORT,
    TOO_FEW_CORNERS,
    ends_line,
    read_integer,
    skip_blanks,
    skip_in_line,
    text_refusal,
    word_end,
)
from server.metrology.scan import Points

MAX_LINE_BYTES = 4 * 1024 * 1024
SCALAR, LIST, CORNERS = -1, -2, -3
"""What a property is to the row reader; 0 and up: the column of a wanted value."""


def read_ascii_rows(data: memoryview, header: PlyHeader) -> PlyRows:
    """The rows that follow the header. Raises Unreadable, naming the line."""
    text = np.frombuffer(data, np.uint8)
    vertex, at, single = header.element("vertex"), header.body_at, True
    values = np.empty((0, 3))
    sizes = flat = np.empty(0, np.int32)
    for element in header.elements:
        if 2 * element.count * len(element.properties) > len(data) - at + 1:
            raise cut_short(element, len(data) - at)
        plan = _plan(element)
        found = np.empty((element.count if element is vertex else 0, max(0, int(plan.max(initial=-1)) + 1)))
        n_sizes = element.count if element.name == "face" else 0
        rows = _read_rows(text, at, element.count, plan, found, np.empty(n_sizes, np.int32), vertex.count)
        at, fits, fault, row, found_sizes, found_flat = rows
        if fault == ENDS_EARLY:
            raise Reason.CUT_SHORT.refusal(
                f"The header states {element.count} {element.name[:40]} rows; the file ends in row {row + 1}."
            )
        if fault != FINE:
            raise text_refusal(fault, text, at)
        if element is vertex:
            values, single = found, fits
        elif element.name == "face":
            sizes, flat = found_sizes, found_flat
    if np.any(~np.isin(text[at:], (0, 9, 10, 11, 12, 13, 32))):
        raise Reason.DATA_BEYOND_COUNT.refusal(
            f"{len(text) - at} bytes follow the last row that the header states."
        )
    points = np.ascontiguousarray(values[:, :3])
    return PlyRows(points, _rgb(values, vertex), sizes, flat, single, colour_notes(header))


def _plan(element: Element) -> NDArray[np.int64]:
    columns = {p.name: i for i, p in enumerate(wanted(element))} if element.name == "vertex" else {}
    plan = [
        columns.get(p.name, SCALAR)
        if p.count_kind is None
        else CORNERS
        if _holds_corners(element, p.name)
        else LIST
        for p in element.properties
    ]
    return np.array(plan, np.int64)


def _holds_corners(element: Element, name: str) -> bool:
    return element.name == "face" and name in ("vertex_indices", "vertex_index")


def _rgb(values: Points, vertex: Element) -> NDArray[np.uint8] | None:
    kinds = [np.dtype(p.kind) for p in wanted(vertex)][3:]
    columns = [np.nan_to_num(values[:, 3 + i]) for i in range(len(kinds))]
    whole = [np.clip(c, np.iinfo(k).min, np.iinfo(k).max).astype(k) if k.kind != "f" else c
             for c, k in zip(columns, kinds, strict=True)]  # fmt: skip
    return rgb_of(whole)


@njit(cache=True, nogil=True)
def _read_rows(
    text: Bytes, at: int, n_rows: int, plan: NDArray[np.int64], values: Points, sizes: Indices, n_points: int
) -> tuple[int, bool, int, int, Indices, Indices]:
    """Reads n_rows lines by the plan. Fills values and sizes; all corners come back in a row.

    Returns (byte after, whether x, y and z all fit 32 bits, fault, row of the fault, sizes, corners).
    """
    end, n_flat, single, line_begin = len(text), 0, True, at
    flat = np.empty(3 * len(sizes), np.int32)
    for row in range(n_rows):
        at, line_begin = skip_blanks(text, at, end, line_begin)
        if at == end:
            return at, single, ENDS_EARLY, row, sizes, flat
        for what in plan:
            at = skip_in_line(text, at, end)
            if at == end or ends_line(text[at]):
                return at, single, ENDS_EARLY if at == end else ROW_TOO_SHORT, row, sizes, flat
            if what >= 0:
                values[row, what], at, fault, fits = read_numeral(text, at, end)
                single = single and (fits or what > 2)
            elif what == SCALAR:
                at, fault = word_end(text, at, end), FINE
            else:
                begin = n_flat if what == CORNERS else -1
                at, fault, n_flat, flat = _read_list(text, at, end, begin, n_flat, n_points, flat)
                if what == CORNERS:
                    sizes[row] = n_flat - begin
            if fault != FINE:
                return at, single, fault, row, sizes, flat
        at = skip_in_line(text, at, end)
        if at < end and not ends_line(text[at]):
            return at, single, ROW_TOO_LONG, row, sizes, flat
        if at - line_begin > MAX_LINE_BYTES:
            return at, single, LINE_TOO_LONG, row, sizes, flat
    return at, single, FINE, 0, sizes, flat[:n_flat]


@njit(cache=True, nogil=True)
def _read_list(
    text: Bytes, at: int, end: int, begin: int, n_flat: int, n_points: int, flat: Indices
) -> tuple[int, int, int, Indices]:
    """Reads a length and as many words; keeps them in flat as corners where begin is not -1.

    Returns (byte after, fault, corners so far, flat, which may have grown).
    """
    size, at, fault = read_integer(text, at, end)
    if fault != FINE:
        return at, fault, n_flat, flat
    if size < 0 or size > (end - at + 1) // 2:
        return at, ENDS_EARLY if 0 < size < 256 else LIST_LENGTH, n_flat, flat
    if begin >= 0 and size < 3:
        return at, TOO_FEW_CORNERS, n_flat, flat
    for _ in range(size):
        at = skip_in_line(text, at, end)
        if at == end or ends_line(text[at]):
            return at, ENDS_EARLY if at == end else ROW_TOO_SHORT, n_flat, flat
        if begin < 0:
            at = word_end(text, at, end)
            continue
        index, at, fault = read_integer(text, at, end)
        if fault != FINE:
            return at, fault, n_flat, flat
        if index < 0 or index >= n_points:
            return at, INDEX_OUT_OF_RANGE, n_flat, flat
        if n_flat == len(flat):
            grown = np.empty(2 * len(flat), np.int32)
            grown[:n_flat] = flat
            flat = grown
        flat[n_flat] = index
        n_flat += 1
    return at, FINE, n_flat, flat

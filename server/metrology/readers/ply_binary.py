"""The rows of a binary PLY, of either byte order."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.readers.numerals import Bytes
from server.metrology.readers.ply_header import Element, PlyHeader, Property
from server.metrology.readers.ply_rows import PlyRows, colour_notes, cut_short, rgb_of, wanted
from server.metrology.readers.reading import FileFormat, ReadingNote
from server.metrology.readers.reasons import Reason
from server.metrology.readers.weld import Indices
from server.metrology.readers.words import ENDS_EARLY, FINE, LIST_LENGTH

Offsets = NDArray[np.int64]
_LONGEST_CUT_LIST = 255
"""A list that reaches beyond the end is a file cut short up to this length, and an impossible length above."""


def read_binary_rows(data: memoryview, header: PlyHeader) -> PlyRows:
    """The rows that follow the header. Every length is held against the file before anything is made for it."""
    big = header.format is FileFormat.PLY_BINARY_BE
    at = header.body_at
    columns: list[NDArray[Any]] = []
    sizes = flat = np.empty(0, np.int32)
    for element in header.elements:
        if element.count * element.row_bytes > len(data) - at:
            raise cut_short(element, len(data) - at)
        if element.name == "vertex":
            columns, at = _columns(data, at, element, big)
        elif element.name == "face":
            n_points = header.element("vertex").count
            sizes, flat, at = _lists(data, at, element, header.index_list, big, n_points)
        else:
            at = _end(data, at, element, big)
    kind = np.float32 if all(c.dtype == np.float32 for c in columns[:3]) else np.float64
    points = np.empty((len(columns[0]), 3), kind)
    for axis in range(3):
        points[:, axis] = columns[axis]
    single = kind is np.float32 or bool(np.array_equal(points, points.astype(np.float32), equal_nan=True))
    notes = _trailing(data, at, header) + colour_notes(header)
    return PlyRows(points, rgb_of(columns[3:]), sizes, flat, single, notes)


def _columns(data: memoryview, at: int, element: Element, big: bool) -> tuple[list[NDArray[Any]], int]:
    """The wanted values of an element as arrays (rows,) in native byte order, and the byte after its rows."""
    order = ">" if big else "<"
    found: list[NDArray[Any]] = []
    if element.has_lists:
        raw = np.frombuffer(data, np.uint8)
        for p in wanted(element):
            begins, _, end = _walked(data, at, element, p, big)
            stored = raw[begins[:, None] + np.arange(p.least_bytes)].view(np.dtype(order + p.kind))[:, 0]
            found.append(stored.astype(stored.dtype.newbyteorder("=")))
        return found, end
    for p in wanted(element):
        offset = at + sum(q.least_bytes for q in element.properties[: element.properties.index(p)])
        rows = np.ndarray((element.count,), order + p.kind, data, offset=offset, strides=(element.row_bytes,))
        found.append(rows.astype(rows.dtype.newbyteorder("=")))
    return found, at + element.count * element.row_bytes


def _lists(
    data: memoryview, at: int, element: Element, index_list: Property, big: bool, n_points: int
) -> tuple[Indices, Indices, int]:
    """The sizes of the faces, all their corners in a row, and the byte after the element's rows."""
    begins, sizes, end = _walked(data, at, element, index_list, big)
    if sizes.min() < 3:
        raise Reason.TOO_FEW_CORNERS.refusal(f"Face {int(sizes.argmin()) + 1} has {sizes.min()} corners.")
    flat = np.empty(int(sizes.sum(dtype=np.int64)), np.int32)
    item_bytes, is_signed = int(index_list.kind[1]), index_list.kind[0] == "i"
    row = _gather(np.frombuffer(data, np.uint8), begins, sizes, item_bytes, is_signed, big, n_points, flat)
    if row >= 0:
        raise Reason.INDEX_OUT_OF_RANGE.refusal(
            f"Face {row + 1} names a point that is not among the {n_points} points of the file."
        )
    return sizes, flat, end


def _end(data: memoryview, at: int, element: Element, big: bool) -> int:
    if element.count == 0 or not element.has_lists:
        return at + element.count * element.row_bytes
    return _walked(data, at, element, element.properties[0], big)[2]


def _walked(
    data: memoryview, at: int, element: Element, target: Property, big: bool
) -> tuple[Offsets, Indices, int]:
    """Where the value, or the items, of one property begin in each row; how many; the byte after the rows."""
    table = np.array(
        [(p.count_kind is not None, int(p.kind[1]), p.least_bytes, (p.count_kind or "u")[0] == "i")
         for p in element.properties],
        np.int64,
    )  # fmt: skip
    begins, sizes = np.empty(element.count, np.int64), np.empty(element.count, np.int32)
    raw = np.frombuffer(data, np.uint8)
    end, fault, row = _walk(raw, at, table, element.properties.index(target), big, begins, sizes)
    if fault == LIST_LENGTH:
        raise Reason.LIST_LENGTH.refusal(
            f"A list in {element.name[:40]} row {row + 1} states an impossible length."
        )
    if fault == ENDS_EARLY:
        raise Reason.CUT_SHORT.refusal(
            f"The header states {element.count} {element.name[:40]} rows; the file ends in row {row + 1}."
        )
    return begins, sizes, end


def _trailing(data: memoryview, at: int, header: PlyHeader) -> tuple[ReadingNote, ...]:
    """A note on bytes after the last row. Raises Unreadable where they could be rows."""
    n_trailing = len(data) - at
    if n_trailing == 0:
        return ()
    last = header.elements[-1]
    if n_trailing >= last.useful_row_bytes and np.frombuffer(data[at:], np.uint8).any():
        raise Reason.DATA_BEYOND_COUNT.refusal(
            f"{n_trailing} bytes follow the last row that the header states."
        )
    return (ReadingNote("trailing-bytes", f"{n_trailing} bytes after the last row were ignored."),)


@njit(cache=True, nogil=True)
def _whole(raw: Bytes, at: int, n_bytes: int, is_signed: bool, big: bool) -> int:
    """The whole number stored in n_bytes (1, 2 or 4) bytes at `at`."""
    value = 0
    for k in range(n_bytes):
        place = n_bytes - 1 - k if big else k
        value |= int(raw[at + k]) << (8 * place)
    if is_signed and value >> (8 * n_bytes - 1):
        value -= 1 << (8 * n_bytes)
    return value


@njit(cache=True, nogil=True)
def _walk(
    raw: Bytes, at: int, table: Offsets, target: int, big: bool, begins: Offsets, sizes: Indices
) -> tuple[int, int, int]:
    """Steps over rows; table: per property (is a list, bytes of an item, bytes of its length or value, signed).

    Fills begins and sizes for the target property. Returns (byte after the rows, fault, row of the fault).
    """
    end = len(raw)
    for row in range(len(begins)):
        for p in range(len(table)):
            n_bytes = table[p, 2]
            if at + n_bytes > end:
                return at, ENDS_EARLY, row
            size = 1
            if table[p, 0]:
                size = _whole(raw, at, n_bytes, table[p, 3] != 0, big)
                at += n_bytes
                if size < 0 or (size > _LONGEST_CUT_LIST and size * table[p, 1] > end - at):
                    return at, LIST_LENGTH, row
                if size * table[p, 1] > end - at:
                    return at, ENDS_EARLY, row
            if p == target:
                begins[row], sizes[row] = at, size
            at += size * table[p, 1]
    return at, FINE, 0


@njit(cache=True, nogil=True)
def _gather(
    raw: Bytes,
    begins: Offsets,
    sizes: Indices,
    item_bytes: int,
    is_signed: bool,
    big: bool,
    n_points: int,
    flat: Indices,
) -> int:
    """Fills flat with the items of all lists. Returns -1, or the first row with an item that is no point."""
    k = 0
    for row in range(len(begins)):
        at = begins[row]
        for _ in range(sizes[row]):
            index = _whole(raw, at, item_bytes, is_signed, big)
            if index < 0 or index >= n_points:
                return row
            flat[k] = index
            k += 1
            at += item_bytes
    return -1

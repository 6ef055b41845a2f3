"""The kernel that reads the statements of an OBJ file."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.readers.numerals import Bytes, Word, ends_word, is_blank, read_numeral
from server.metrology.readers.weld import Indices
from server.metrology.readers.words import (
    BAD_STATEMENT,
    FINE,
    INDEX_OUT_OF_RANGE,
    LINE_TOO_LONG,
    NOT_A_NUMBER,
    ROW_TOO_LONG,
    ROW_TOO_SHORT,
    TOO_FEW_CORNERS,
    WITH_COMMA,
    ends_line,
    line_end,
    skip_blanks,
    word_end,
)
from server.metrology.scan import Points

MAX_LINE_BYTES = 4 * 1024 * 1024
N_TEXT_KINDS = 4
COMMENT, NAME, MATERIAL, LIBRARY = 0, 1, 2, 3
_SKIPPED, _OTHER, _UNKNOWN = 10, 11, 12


class Statements(NamedTuple):
    """What an OBJ file holds, in the order in which the kernel gives it.

    points: (n, 3) float64; colours: (n, 3) float64, whole where n_coloured is n; sizes: corners of each polygon;
    flat: all corners; n_others: lines, points and curves; n_texts: texts of each kind; at: where a fault lies.
    """

    points: Points
    colours: Points
    n_coloured: int
    sizes: Indices
    flat: Indices
    n_others: int
    n_texts: NDArray[np.int64]
    single_precision: bool
    fault: int
    at: int


def _packed(words: str) -> NDArray[np.uint64]:
    """Words of up to eight letters as one number each; of longer ones the first eight letters."""
    return np.array([int.from_bytes(w.encode()[:8], "little") for w in words.split()], np.uint64)


_NAMES = _packed("o g")
_MATERIALS = _packed("usemtl")
_LIBRARIES = _packed("mtllib maplib usemap shadow_obj trace_obj")
_SKIPPED_WORDS = _packed("vt vn vp s mg lod bevel c_interp d_interp deg cstype step bmat ctech stech res con")
_OTHER_WORDS = _packed("l p curv curv2 surf parm trim hole scrv sp end")


@njit(cache=True, nogil=True)
def read_statements(
    text: Bytes, ranges: NDArray[np.int64]
) -> tuple[Points, Points, int, Indices, Indices, int, NDArray[np.int64], bool, int, int]:
    """Reads the whole text; the fields of Statements. ranges (kinds, most, 2) receives where the first texts lie."""
    end, at, n_points, n_coloured, n_polygons, n_flat, n_others, single = len(text), 0, 0, 0, 0, 0, 0, True
    room = 64 + end // 64
    points, colours = np.empty((room, 3)), np.empty((room, 3))
    sizes, flat = np.empty(room, np.int32), np.empty(3 * room, np.int32)
    n_texts = np.zeros(N_TEXT_KINDS, np.int64)
    highest, highest_at, fault = -1, 0, FINE
    while fault == FINE:
        at, _ = skip_blanks(text, at, end, 0)
        if at == end:
            break
        begin = at
        first, is_short = text[at], at + 1 < end and is_blank(text[at + 1])
        if first == 118 and is_short:  # v
            if n_points == len(points):
                points, colours = _doubled_rows(points), _doubled_rows(colours)
            at, n_numbers, fault, fits = _read_vertex(text, at + 1, end, points[n_points], colours[n_points])
            n_points += 1
            n_coloured += n_numbers >= 6
            single = single and fits
        elif first == 102 and is_short:  # f
            if n_polygons == len(sizes):
                sizes = _doubled(sizes)
            before = n_flat
            at, n_flat, flat, fault, top = _read_polygon(text, at + 1, end, n_points, n_flat, flat)
            if fault == FINE and n_flat - before < 3:
                at, fault = begin, TOO_FEW_CORNERS
            sizes[n_polygons] = n_flat - before
            n_polygons += 1
            if top > highest:
                highest, highest_at = top, begin
        else:
            at, kind = _skip_statement(text, at, end, ranges, n_texts)
            n_others += kind == _OTHER
            if kind == _UNKNOWN:
                at, fault = begin, BAD_STATEMENT
        if at - begin > MAX_LINE_BYTES:
            fault = LINE_TOO_LONG
    if fault == FINE and highest >= n_points:
        at, fault = highest_at, INDEX_OUT_OF_RANGE
    return (
        points[:n_points], colours[:n_points], n_coloured, sizes[:n_polygons], flat[:n_flat], n_others, n_texts,
        single, fault, at,
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _skip_in_statement(text: Bytes, at: int, end: int) -> int:
    """The first byte at or after `at` that is neither blank nor a line end behind a backslash."""
    while at < end:
        if is_blank(text[at]):
            at += 1
        elif text[at] == 92 and at + 1 < end and text[at + 1] == 10:
            at += 2
        elif text[at] == 92 and at + 2 < end and text[at + 1] == 13 and text[at + 2] == 10:
            at += 3
        else:
            break
    return at


@njit(cache=True, nogil=True)
def _read_vertex(text: Bytes, at: int, end: int, point: Points, colour: Points) -> tuple[int, int, int, bool]:
    """Reads 3 numbers, 4 (with a weight), 6 or 7 (with a colour): (byte after, how many, fault, x y z fit 32 bits)."""
    n, single = 0, True
    while True:
        at = _skip_in_statement(text, at, end)
        if at == end or ends_line(text[at]):
            break
        if n == 7:
            return at, n, ROW_TOO_LONG, single
        value, at, fault, fits = read_numeral(text, at, end)
        if fault != FINE:
            return at, n, fault, single
        if n < 3:
            point[n] = value
            single = single and fits
        elif n < 6:
            colour[n - 3] = value
        n += 1
    if n < 3 or n == 5:
        return at, n, ROW_TOO_SHORT, single
    return at, n, FINE, single


@njit(cache=True, nogil=True)
def _read_polygon(
    text: Bytes, at: int, end: int, n_points: int, n_flat: int, flat: Indices
) -> tuple[int, int, Indices, int, int]:
    """Reads corners to the end of the line: (byte after, corners so far, flat, fault, highest index met).

    A negative number counts back from the vertices read so far; a positive one may name a vertex still to come.
    """
    highest = -1
    while True:
        at = _skip_in_statement(text, at, end)
        if at == end or ends_line(text[at]):
            return at, n_flat, flat, FINE, highest
        number, stop, fault = _read_corner(text, at, end)
        if fault != FINE:
            return stop, n_flat, flat, fault, highest
        index = number - 1 if number > 0 else n_points + number
        if number == 0 or index < 0 or index > 2_000_000_000:
            return at, n_flat, flat, INDEX_OUT_OF_RANGE, highest
        if n_flat == len(flat):
            flat = _doubled(flat)
        flat[n_flat] = index
        n_flat += 1
        highest = max(highest, index)
        at = stop


@njit(cache=True, nogil=True)
def _read_corner(text: Bytes, at: int, end: int) -> tuple[int, int, int]:
    """Reads v, v/vt, v//vn or v/vt/vn: (v, byte after, fault); vt and vn must be whole numbers."""
    vertex, at, n_digits = _signed(text, at, end)
    if n_digits == 0:
        return 0, at, NOT_A_NUMBER
    for part in range(2):
        if at == end or text[at] != 47:
            break
        _, at, n_digits = _signed(text, at + 1, end)
        skips_vt = part == 0 and at < end and text[at] == 47
        if n_digits == 0 and not skips_vt:
            return 0, at, NOT_A_NUMBER
    if at < end and not ends_word(text[at]):
        return 0, at, WITH_COMMA if text[at] == 44 else NOT_A_NUMBER
    return vertex, at, FINE


@njit(cache=True, nogil=True)
def _signed(text: Bytes, at: int, end: int) -> tuple[int, int, int]:
    """A whole number, held to 13 digits: (value, byte after, number of digits)."""
    negative = at < end and text[at] == 45
    if negative or (at < end and text[at] == 43):
        at += 1
    begin, value = at, 0
    while at < end and 48 <= text[at] <= 57:
        if value < 1_000_000_000_000:
            value = value * 10 + int(text[at] - 48)
        at += 1
    return (-value if negative else value), at, at - begin


@njit(cache=True, nogil=True)
def _skip_statement(
    text: Bytes, at: int, end: int, ranges: NDArray[np.int64], n_texts: NDArray[np.int64]
) -> tuple[int, int]:
    """Steps over a statement that holds no surface, and remembers its text: (byte after, its kind)."""
    stop = line_end(text, at, end)
    if text[at] == 35:  # comment
        kind, word_stop = COMMENT, at + 1
    else:
        word_stop = min(stop, word_end(text, at, end))
        kind = _kind_of_word(text, at, word_stop)
    if kind < N_TEXT_KINDS:
        if n_texts[kind] < ranges.shape[1]:
            ranges[kind, n_texts[kind], 0], ranges[kind, n_texts[kind], 1] = word_stop, stop
        n_texts[kind] += 1
    return stop, kind


@njit(cache=True, nogil=True)
def _kind_of_word(text: Bytes, at: int, stop: int) -> int:
    if stop - at > 10:
        return _UNKNOWN
    packed = np.uint64(0)
    for k in range(min(8, stop - at)):
        packed |= np.uint64(text[at + k]) << np.uint64(8 * k)
    if _is_among(packed, _SKIPPED_WORDS):
        return _SKIPPED
    if _is_among(packed, _NAMES):
        return NAME
    if _is_among(packed, _MATERIALS):
        return MATERIAL
    if _is_among(packed, _LIBRARIES):
        return LIBRARY
    return _OTHER if _is_among(packed, _OTHER_WORDS) else _UNKNOWN


@njit(cache=True, nogil=True)
def _is_among(packed: Word, words: NDArray[np.uint64]) -> bool:
    for word in words:  # noqa: SIM110 - the kernel has no any()
        if packed == word:
            return True
    return False


@njit(cache=True, nogil=True)
def _doubled(values: Indices) -> Indices:
    larger = np.empty(2 * len(values), np.int32)
    larger[: len(values)] = values
    return larger


@njit(cache=True, nogil=True)
def _doubled_rows(rows: Points) -> Points:
    larger = np.empty((2 * len(rows), 3))
    larger[: len(rows)] = rows
    return larger

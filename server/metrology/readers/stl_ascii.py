"""ASCII STL: solids of facets, each three vertices, in words."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.readers.numerals import Bytes, read_numeral
from server.metrology.readers.reading import FileFormat, Reading, ReadingNote
from server.metrology.readers.reasons import Reason
from server.metrology.readers.texts import MAX_TEXTS, file_texts, more_texts_note
from server.metrology.readers.weld import MAX_FACETS, Soup, weld
from server.metrology.readers.words import (
    BAD_STATEMENT,
    ENDS_EARLY,
    FINE,
    LINE_TOO_LONG,
    after_word,
    line_end,
    skip_blanks,
    text_refusal,
    word_end,
)
from server.metrology.scan import Points

MAX_LINE_BYTES = 64 * 1024
MAX_NORMAL_WORD_BYTES = 400
_LEAST_FACET_BYTES = 80
"""A facet of single digits: `facet normal 0 0 0 outer loop vertex 0 0 0 …`."""


def _word(text: str) -> Bytes:
    return np.frombuffer(text.encode(), np.uint8)


_SOLID, _ENDSOLID, _FACET, _ENDFACET = _word("solid"), _word("endsolid"), _word("facet"), _word("endfacet")
_NORMAL, _OUTER, _LOOP, _ENDLOOP, _VERTEX = (
    _word("normal"),
    _word("outer"),
    _word("loop"),
    _word("endloop"),
    _word("vertex"),
)


def read_stl_ascii(data: memoryview) -> Reading:
    """The facets of all solids of an ASCII STL; stored normals are ignored. Raises Unreadable.

    data: without byte-order mark and without trailing zero bytes.
    """
    text = np.frombuffer(data, np.uint8)
    points = np.empty((3 * (len(text) // _LEAST_FACET_BYTES + 1), 3))
    names = np.zeros((MAX_TEXTS, 2), np.int64)
    n_facets, n_solids, single, fault, at = _read_solids(text, points, names)
    if fault == ENDS_EARLY:
        raise Reason.NO_ENDSOLID.refusal(f"The text ends inside a solid, after {n_facets} complete facets.")
    if fault != FINE:
        raise text_refusal(fault, text, at)
    if n_facets == 0:
        raise Reason.NO_FACETS.refusal()
    if n_facets > MAX_FACETS:
        raise Reason.TOO_MANY_FACETS.refusal(f"The file holds {n_facets} facets; {MAX_FACETS} are the most.")
    welded = weld(Soup(points[: 3 * n_facets]))
    return Reading(
        scan=welded.scan,
        format=FileFormat.STL_ASCII,
        n_facets_stored=n_facets,
        n_collapsed_facets=welded.n_collapsed_facets,
        single_precision=single,
        texts=file_texts(("solid", bytes(data[a:b])) for a, b in names[:n_solids]),
        notes=_solids_note(n_solids) + more_texts_note([n_solids]) + welded.notes,
    )


def _solids_note(n_solids: int) -> tuple[ReadingNote, ...]:
    if n_solids < 2:
        return ()
    return (ReadingNote("several-solids", f"The file holds {n_solids} solids; they were read as one scan."),)


@njit(cache=True, nogil=True)
def _read_solids(text: Bytes, points: Points, names: NDArray[np.int64]) -> tuple[int, int, bool, int, int]:
    """Fills points (3 × facets, 3) and the byte ranges of the first names.

    Returns (facets, solids, whether all numbers fit 32 bits, fault, the byte at which it stopped).
    """
    end = len(text)
    n_facets, n_solids, single, inside = 0, 0, True, False
    at, line_begin = skip_blanks(text, 0, end, 0)
    while at < end:
        if not inside:
            stop = after_word(text, at, end, _SOLID)
            if stop < 0:
                return n_facets, n_solids, single, BAD_STATEMENT, at
        else:
            stop = after_word(text, at, end, _FACET)
            if stop >= 0:
                row = points[3 * n_facets : 3 * n_facets + 3]
                at, line_begin, fits, fault = _read_facet(text, stop, end, line_begin, row)
                if fault != FINE:
                    return n_facets, n_solids, single, fault, at
                n_facets += 1
                single = single and fits
                at, line_begin = skip_blanks(text, at, end, line_begin)
                continue
            stop = after_word(text, at, end, _ENDSOLID)
            if stop < 0:
                cut = word_end(text, at, end) == end
                return n_facets, n_solids, single, ENDS_EARLY if cut else BAD_STATEMENT, at
        at = line_end(text, stop, end)
        if at - line_begin > MAX_LINE_BYTES:
            return n_facets, n_solids, single, LINE_TOO_LONG, at
        if not inside:
            if n_solids < len(names):
                names[n_solids, 0], names[n_solids, 1] = stop, at
            n_solids += 1
        inside = not inside
        at, line_begin = skip_blanks(text, at, end, line_begin)
    return n_facets, n_solids, single, ENDS_EARLY if inside else FINE, end


@njit(cache=True, nogil=True)
def _read_facet(text: Bytes, at: int, end: int, line_begin: int, row: Points) -> tuple[int, int, bool, int]:
    """Fills row (3, 3) from the words after `facet`: (byte after, begin of its line, fits 32 bits, fault)."""
    at, line_begin, fault = _expect(text, at, end, line_begin, _NORMAL)
    if fault != FINE:
        return at, line_begin, True, fault
    for _ in range(3):
        at, line_begin = skip_blanks(text, at, end, line_begin)
        stop = word_end(text, at, end)
        if stop - at > MAX_NORMAL_WORD_BYTES:
            return at, line_begin, True, BAD_STATEMENT
        at = stop
    at, line_begin, fault = _expect(text, at, end, line_begin, _OUTER)
    if fault == FINE:
        at, line_begin, fault = _expect(text, at, end, line_begin, _LOOP)
    single = True
    for corner in range(3):
        if fault == FINE:
            at, line_begin, fault = _expect(text, at, end, line_begin, _VERTEX)
        for axis in range(3):
            if fault == FINE:
                at, line_begin = skip_blanks(text, at, end, line_begin)
                row[corner, axis], stop, fault, fits = read_numeral(text, at, end)
                single = single and fits
                at = stop if fault == FINE else at
                if stop == end:
                    fault = ENDS_EARLY
    if fault == FINE:
        at, line_begin, fault = _expect(text, at, end, line_begin, _ENDLOOP)
    if fault == FINE:
        at, line_begin, fault = _expect(text, at, end, line_begin, _ENDFACET)
    return at, line_begin, single, fault


@njit(cache=True, nogil=True)
def _expect(text: Bytes, at: int, end: int, line_begin: int, word: Bytes) -> tuple[int, int, int]:
    """Passes one word: (the byte after it, where its line begins, fault)."""
    at, line_begin = skip_blanks(text, at, end, line_begin)
    stop = after_word(text, at, end, word)
    if stop < 0:
        return at, line_begin, ENDS_EARLY if word_end(text, at, end) == end else BAD_STATEMENT
    if stop - line_begin > MAX_LINE_BYTES:
        return at, line_begin, LINE_TOO_LONG
    return stop, line_begin, FINE

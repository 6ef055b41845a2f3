"""Words and lines in bytes: what the kernels of the text formats share, and the faults they report by number."""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numba import njit

from server.metrology.readers import numerals
from server.metrology.readers.numerals import Bytes, ends_word, is_blank
from server.metrology.readers.reading import Unreadable
from server.metrology.readers.reasons import Reason


class Fault(IntEnum):
    """Why a kernel stopped. The first four are those of a numeral."""

    FINE = numerals.FINE
    NOT_A_NUMBER = numerals.NOT_A_NUMBER
    WITH_COMMA = numerals.WITH_COMMA
    NUMBER_TOO_LONG = numerals.TOO_LONG
    LINE_TOO_LONG = 4
    BAD_STATEMENT = 5
    ENDS_EARLY = 6
    ROW_TOO_SHORT = 7
    ROW_TOO_LONG = 8
    INDEX_OUT_OF_RANGE = 9
    TOO_FEW_CORNERS = 10
    LIST_LENGTH = 11


FINE, NOT_A_NUMBER, WITH_COMMA = 0, 1, 2
LINE_TOO_LONG, BAD_STATEMENT, ENDS_EARLY, ROW_TOO_SHORT, ROW_TOO_LONG = 4, 5, 6, 7, 8
INDEX_OUT_OF_RANGE, TOO_FEW_CORNERS, LIST_LENGTH = 9, 10, 11
"""The same as plain numbers, which kernels take as constants."""

_REASONS: dict[Fault, tuple[Reason, str]] = {
    Fault.NOT_A_NUMBER: (Reason.BAD_NUMBER, "What stands there is not a number"),
    Fault.WITH_COMMA: (Reason.DECIMAL_COMMAS, "The numbers are written with commas"),
    Fault.NUMBER_TOO_LONG: (Reason.BAD_NUMBER, "A number is far too long"),
    Fault.LINE_TOO_LONG: (Reason.LINE_TOO_LONG, "The line is far too long"),
    Fault.BAD_STATEMENT: (Reason.BAD_STATEMENT, "The line is not what the format allows there"),
    Fault.ENDS_EARLY: (Reason.CUT_SHORT, "The file ends before what it began is complete"),
    Fault.ROW_TOO_SHORT: (Reason.BAD_STATEMENT, "The line has too few values"),
    Fault.ROW_TOO_LONG: (Reason.BAD_STATEMENT, "The line has too many values"),
    Fault.INDEX_OUT_OF_RANGE: (Reason.INDEX_OUT_OF_RANGE, "A facet names a point that is not there"),
    Fault.TOO_FEW_CORNERS: (Reason.TOO_FEW_CORNERS, "A facet has fewer than three corners"),
    Fault.LIST_LENGTH: (Reason.LIST_LENGTH, "A list states an impossible length"),
}


def text_refusal(fault: int, text: Bytes, at: int) -> Unreadable:
    """The refusal for a fault at byte `at` of a text, with the number of its line."""
    if at < len(text) and text[at] == 0:
        return Reason.NUL_BYTES.refusal(f"There is a zero byte in line {line_number(text, at)}.")
    reason, words = _REASONS[Fault(fault)]
    return reason.refusal(f"{words} (line {line_number(text, at)}).")


def line_number(text: Bytes, at: int) -> int:
    """The number of the line that holds byte `at`, from 1; lines end at LF, or at CR where there is no LF."""
    before = text[:at]
    return 1 + (int(np.count_nonzero(before == 10)) or int(np.count_nonzero(before == 13)))


@njit(cache=True, nogil=True)
def skip_blanks(text: Bytes, at: int, end: int, line_begin: int) -> tuple[int, int]:
    """(The first byte of the next word, or end; where the line begins that holds it.)"""
    while at < end and ends_word(text[at]):
        if text[at] == 10 or text[at] == 13:
            line_begin = at + 1
        at += 1
    return at, line_begin


@njit(cache=True, nogil=True)
def line_end(text: Bytes, at: int, end: int) -> int:
    """The first line end at or after `at`, or end."""
    while at < end and text[at] != 10 and text[at] != 13:
        at += 1
    return at


@njit(cache=True, nogil=True)
def word_end(text: Bytes, at: int, end: int) -> int:
    """The first byte after the word that begins at `at`."""
    while at < end and not ends_word(text[at]):
        at += 1
    return at


@njit(cache=True, nogil=True)
def after_word(text: Bytes, at: int, end: int, word: Bytes) -> int:
    """The byte after `word` (in lower case) if it stands at `at`, whatever its case; else -1."""
    stop = at + len(word)
    if stop > end or (stop < end and not ends_word(text[stop])):
        return -1
    for i in range(len(word)):
        if text[at + i] | 32 != word[i]:
            return -1
    return stop


@njit(cache=True, nogil=True)
def skip_in_line(text: Bytes, at: int, end: int) -> int:
    """The first byte at or after `at` that is no blank; it may be a line end."""
    while at < end and is_blank(text[at]):
        at += 1
    return at


@njit(cache=True, nogil=True)
def read_integer(text: Bytes, at: int, end: int) -> tuple[int, int, int]:
    """The signed whole number that is the word at `at`: (value, the byte after it, fault)."""
    negative = at < end and text[at] == 45
    if at < end and (text[at] == 43 or text[at] == 45):
        at += 1
    begin, value = at, 0
    while at < end and 48 <= text[at] <= 57:
        if value < 1_000_000_000_000:
            value = value * 10 + int(text[at] - 48)
        at += 1
    if at == begin or (at < end and not ends_word(text[at])):
        return 0, at, WITH_COMMA if at < end and text[at] == 44 else NOT_A_NUMBER
    return (-value if negative else value), at, FINE


@njit(cache=True, nogil=True)
def ends_line(byte: int) -> bool:
    """Whether a byte is a line end."""
    return byte == 10 or byte == 13

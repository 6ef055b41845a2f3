"""Decimal numbers in bytes, read to the nearest double, as every text format needs them.

Method: D. Lemire, "Number parsing at a gigabyte per second" (2021, doi 10.1002/spe.2984), without fallback after
N. Mushtak and D. Lemire (2023, doi 10.1002/spe.3198); both from memory. Correctly rounded up to 19 significant
digits; digits beyond the nineteenth are dropped, which moves a value by one unit in its last place at most.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Word = Any
"""One uint64, in kernels only: the type checker has no arithmetic that keeps it one."""

FINE, NOT_A_NUMBER, WITH_COMMA, TOO_LONG = 0, 1, 2, 3
MAX_NUMERAL_BYTES = 400
"""No number of a scan is longer; 10^308 written out without an exponent has 309 digits."""

_LEAST_POWER, _LARGEST_POWER = -70, 40
"""Below, even 19 digits are less than any float32; above, a single digit is more than any coordinate of a scan."""
FAR_TOO_SMALL, FAR_TOO_LARGE = 1e-300, 1e300
_NO_EXPONENT = 1 << 20


def _power_of_five(q: int) -> int:
    """The 128 leading bits of 5^q, rounded as the method wants: down for q >= 0, up for q < 0."""
    if q >= 0:
        value = int(5**q)
        return int((value << 128) >> value.bit_length())
    power = int(5**-q)
    z = (power - 1).bit_length()
    value = 2 ** (z + 127 if q >= -27 else 2 * z + 128) // power + 1
    return int(value >> max(0, value.bit_length() - 128))


_POWERS = [_power_of_five(q) for q in range(_LEAST_POWER, _LARGEST_POWER + 1)]
_POWERS_HIGH = np.array([p >> 64 for p in _POWERS], np.uint64)
_POWERS_LOW = np.array([p & (2**64 - 1) for p in _POWERS], np.uint64)
_EXACT_POWERS = np.array([float(10**k) for k in range(23)])
_UNITS = np.array([float(f"1e{q}") for q in range(_LEAST_POWER, _LARGEST_POWER + 1)])


@njit(cache=True, nogil=True, inline="always")
def is_blank(byte: int) -> bool:
    """Space, tab, vertical tab or form feed: what may stand between two words of one line."""
    return byte == 32 or byte == 9 or byte == 11 or byte == 12


@njit(cache=True, nogil=True, inline="always")
def ends_word(byte: int) -> bool:
    """Whether a byte ends a word: a blank or a line end."""
    return byte == 32 or (9 <= byte <= 13)


@njit(cache=True, nogil=True)
def _product(a: Word, b: Word) -> tuple[Word, Word]:
    """High and low half of a 64 by 64 bit product."""
    low, half = np.uint64(0xFFFFFFFF), np.uint64(32)
    a0, a1, b0, b1 = a & low, a >> half, b & low, b >> half
    p00, p01, p10 = a0 * b0, a0 * b1, a1 * b0
    middle = (p00 >> half) + (p01 & low) + (p10 & low)
    high = a1 * b1 + (p01 >> half) + (p10 >> half) + (middle >> half)
    return high, (middle << half) | (p00 & low)


@njit(cache=True, nogil=True)
def nearest_double(digits: Word, power: int) -> float:
    """digits × 10^power, correctly rounded; FAR_TOO_SMALL or FAR_TOO_LARGE outside the range of any scan."""
    if digits == 0:
        return 0.0
    if power < _LEAST_POWER:
        return FAR_TOO_SMALL
    if power > _LARGEST_POWER:
        return FAR_TOO_LARGE
    if digits <= np.uint64(1 << 53) and -22 <= power <= 22:
        if power < 0:
            return float(np.float64(digits) / _EXACT_POWERS[-power])
        return float(np.float64(digits) * _EXACT_POWERS[power])
    n_leading = 0
    while not (digits >> np.uint64(63)):
        digits <<= np.uint64(1)
        n_leading += 1
    row = power - _LEAST_POWER
    high, low = _product(digits, _POWERS_HIGH[row])
    if (high & np.uint64(0x1FF)) == np.uint64(0x1FF):
        carry, _ = _product(digits, _POWERS_LOW[row])
        low += carry
        high += np.uint64(carry > low)
    upper = high >> np.uint64(63)
    shift = upper + np.uint64(9)
    mantissa = high >> shift
    exponent = ((217706 * power) >> 16) + 63 + np.int64(upper) - n_leading
    if low <= 1 and -4 <= power <= 23 and (mantissa & np.uint64(3)) == 1 and (mantissa << shift) == high:
        mantissa &= ~np.uint64(1)
    mantissa += mantissa & np.uint64(1)
    mantissa >>= np.uint64(1)
    return math.ldexp(np.float64(mantissa), int(exponent - 52))


@njit(cache=True, nogil=True)
def within_single(value: float, power: int) -> bool:
    """Whether a value whose last printed digit stands for 10^power may have been a 32-bit float."""
    if not _LEAST_POWER <= power <= _LARGEST_POWER:
        return True
    half_a_unit = 0.500001 * _UNITS[power - _LEAST_POWER]
    rounding = 2.3e-16 * abs(
        value
    )  # of the double itself, which matters where the printed number lies half-way
    return bool(abs(value - np.float64(np.float32(value))) <= half_a_unit + rounding)


@njit(cache=True, nogil=True)
def read_numeral(text: Bytes, at: int, end: int) -> tuple[float, int, int, bool]:
    """The number that begins at `at`: (value, the byte after it, FINE or the fault, whether it fits 32 bits).

    nan, inf and their spellings by C libraries (-nan(ind), 1.#QNAN) are read as nan; the weld refuses them.
    """
    begin = at
    negative = False
    if at < end and (text[at] == 43 or text[at] == 45):
        negative = text[at] == 45
        at += 1
    digits, n_digits, n_dropped, n_decimals, n_seen = np.uint64(0), 0, 0, 0, 0
    after_point = False
    while at < end:
        byte = text[at]
        if 48 <= byte <= 57:
            n_seen += 1
            if n_digits < 19:
                digits = digits * np.uint64(10) + np.uint64(byte - 48)
                n_digits += digits != 0
                n_decimals += after_point
            else:
                n_dropped += not after_point
        elif byte == 46 and not after_point:
            after_point = True
        else:
            break
        at += 1
    if at - begin > MAX_NUMERAL_BYTES:
        return 0.0, at, TOO_LONG, True
    power = n_dropped - n_decimals
    if at < end and not ends_word(text[at]):
        written, at, fault = _read_ending(text, begin, at, end, n_seen)
        if fault != FINE or written == _NO_EXPONENT:
            return np.nan, at, fault, True
        power += written
    elif n_seen == 0:
        return 0.0, at, NOT_A_NUMBER, True
    value = nearest_double(digits, power)
    return (-value if negative else value), at, FINE, within_single(value, power)


@njit(cache=True, nogil=True)
def _read_ending(text: Bytes, begin: int, at: int, end: int, n_seen: int) -> tuple[int, int, int]:
    """What follows the digits of a number: (exponent, or _NO_EXPONENT for nan and inf; byte after; fault)."""
    byte = text[at] | 32
    if byte == 101 and n_seen > 0:
        return _read_exponent(text, at + 1, end)
    if text[at] == 44:
        return 0, at, WITH_COMMA
    letters = n_seen == 0 and at <= begin + 1 and (byte == 105 or byte == 110)
    if not (letters or (text[at] == 35 and n_seen > 0)):
        return 0, at, NOT_A_NUMBER
    stop = at + 1
    while stop < end and not ends_word(text[stop]):
        stop += 1
    if stop - at > 12 or (letters and not _begins_nan_or_inf(text, at, stop)):
        return 0, at, NOT_A_NUMBER
    return _NO_EXPONENT, stop, FINE


@njit(cache=True, nogil=True)
def _begins_nan_or_inf(text: Bytes, at: int, stop: int) -> bool:
    if stop - at < 3:
        return False
    a, b, c = text[at] | 32, text[at + 1] | 32, text[at + 2] | 32
    return bool((a == 110 and b == 97 and c == 110) or (a == 105 and b == 110 and c == 102))


@njit(cache=True, nogil=True)
def _read_exponent(text: Bytes, at: int, end: int) -> tuple[int, int, int]:
    """The signed whole number that begins at `at`, held to four digits: (exponent, byte after, fault)."""
    negative = False
    if at < end and (text[at] == 43 or text[at] == 45):
        negative = text[at] == 45
        at += 1
    begin, exponent = at, 0
    while at < end and 48 <= text[at] <= 57:
        if exponent < 1000:
            exponent = exponent * 10 + int(text[at] - 48)
        at += 1
    if at == begin or at - begin > MAX_NUMERAL_BYTES:
        return 0, at, NOT_A_NUMBER
    if at < end and not ends_word(text[at]):
        return 0, at, WITH_COMMA if text[at] == 44 else NOT_A_NUMBER
    return (-exponent if negative else exponent), at, FINE

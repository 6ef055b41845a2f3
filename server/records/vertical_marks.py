"""The change of bite height that two skin marks show, and how far such a reading can be trusted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from server.records.case_form import Vertical

U95_WITHOUT_REPEATS_MM = 1.0
"""Repeatability on skin is said to be 0.5-1 mm either way (common practice, no source): the wider end."""

PRACTICE_WEIGHT = 10
"""So many degrees of freedom does that experience weigh against a clinic's own repeats: our own proposal, so
that two lucky readings do not count as certainty, nor for less than none."""


@dataclass(frozen=True, slots=True)
class HeightChange:
    """change_mm: seated - reference - planned, + opened. u95_mm: expanded uncertainty of that difference."""

    change_mm: float
    u95_mm: float


def height_change(marks: Vertical) -> HeightChange | None:
    """The unplanned change of height; None where the two readings it needs are not both there."""
    if marks.reference_mm is None or marks.seated_mm is None:
        return None
    change_mm = marks.seated_mm - marks.reference_mm - marks.planned_change_mm
    return HeightChange(change_mm, difference_u95_mm(readings_mm(marks)))


def readings_mm(marks: Vertical) -> tuple[float, ...]:
    """The readings that repeat one another: the repeats; a single repeat repeats the seated height itself."""
    if len(marks.repeats_mm) == 1 and marks.seated_mm is not None:
        return (marks.seated_mm, *marks.repeats_mm)
    return marks.repeats_mm


def spread_mm(marks: Vertical) -> float | None:
    """Largest less smallest of the readings that repeat one another; None where there are fewer than two."""
    readings = readings_mm(marks)
    return max(readings) - min(readings) if len(readings) > 1 else None


def difference_u95_mm(readings: tuple[float, ...]) -> float:
    """U95 of the difference of two single readings of skin marks, from repeated readings of one of them.

    Method: the variance of one reading is pooled from the repeats and from what practice expects (weighing
    PRACTICE_WEIGHT degrees of freedom, set so that no repeats give U95_WITHOUT_REPEATS_MM); t times the
    standard uncertainty of a difference. *Source* of the method: JCGM 100:2008, G.3 (from memory).
    """
    if len(readings) < 2:
        return U95_WITHOUT_REPEATS_MM
    t_practice = float(stdtrit(PRACTICE_WEIGHT, 0.975))
    expected_mm2 = (U95_WITHOUT_REPEATS_MM / t_practice) ** 2 / 2.0
    freedom = PRACTICE_WEIGHT + len(readings) - 1
    values = np.asarray(readings, dtype=float)
    squares_mm2 = float(((values - values.mean()) ** 2).sum())
    variance_mm2 = (PRACTICE_WEIGHT * expected_mm2 + squares_mm2) / freedom
    return float(stdtrit(freedom, 0.975) * np.sqrt(2.0 * variance_mm2))

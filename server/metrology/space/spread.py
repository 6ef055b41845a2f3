"""How far implants are spread from front to back, and what hangs free behind the last of them.

Source: both ways of measuring the spread are in use: (A) from the centre of the foremost to the line of the distal aspects
of the last two; (B) from centre to centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST = 3
LEAST_LINE_MM = 5.0


@dataclass(frozen=True, slots=True)
class Spread:
    """foremost, ends: rows of the implants it was read from. centres_mm: centre to centre (B); distal_mm: from the centre of the
    foremost to the line of the distal aspects of the two ends (A)."""

    foremost: int
    ends: tuple[int, int]
    centres_mm: float
    distal_mm: float


def spread_of(seats: Floats, radii_mm: Floats, order: Floats, occlusal: Floats) -> Spread | None:
    """The spread of implants seen along the occlusal direction.

    seats: (n, 3); radii_mm: (n,) of their platforms; order: (n,) place along the arch; occlusal: (3,) unit. The line behind
    runs through the two ends, one of each side, so that nothing hangs on where exactly the front is. None for fewer than
    three, or ends within LEAST_LINE_MM.
    """
    if len(seats) < FEWEST:
        return None
    one, two = int(np.argmin(order)), int(np.argmax(order))
    plan = seats - np.outer(seats @ occlusal, occlusal)
    along = plan[two] - plan[one]
    length = float(np.linalg.norm(along))
    if length < LEAST_LINE_MM:
        return None
    ahead = np.cross(occlusal, along / length)
    off = (plan - plan[one]) @ ahead
    foremost = int(np.argmax(np.abs(off)))
    ahead = ahead * (1.0 if off[foremost] >= 0.0 else -1.0)
    behind = plan[[one, two]] - radii_mm[[one, two], None] * ahead
    return Spread(
        foremost,
        (one, two),
        abs(float(off[foremost])),
        _off_line(plan[foremost], behind, occlusal),
    )


def _off_line(point: Floats, line: Floats, occlusal: Floats) -> float:
    along = line[1] - line[0]
    return abs(float((point - line[0]) @ np.cross(occlusal, along / np.linalg.norm(along))))


def overhang_mm(crowns_behind_mm: Floats, own_crown_mm: float, distal_mm: float) -> float:
    """Length of what hangs free behind an end implant along the arch. Not below zero.

    crowns_behind_mm: widths of the planned crowns behind that over the implant, own_crown_mm of that itself; distal_mm: how
    far the distal aspect of its platform lies behind the middle of that crown.
    """
    return max(0.0, float(crowns_behind_mm.sum()) + 0.5 * own_crown_mm - distal_mm)

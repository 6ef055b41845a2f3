"""Sets the back teeth of one jaw against the other: each is raised or lowered until it would press in a little.

What would press in is then ground away (`DentureSolid.ground_gap_mm`), as a chairside adjustment does; so every back
tooth touches, with small facets, on both sides.
"""

from __future__ import annotations

import numpy as np

from seed_data.phantoms.solids import OpposingSolid
from seed_data.phantoms.teeth import ToothRow

PRESS_MM = 0.22
MOST_MM = 3.0


def set_against(teeth: ToothRow, opposing: OpposingSolid, *, press_mm: float = PRESS_MM) -> ToothRow:
    """The crowns with every back tooth moved along its axis until its deepest point is `press_mm` inside."""
    for index in np.flatnonzero(teeth.numbers >= 4):
        raised = 0.0
        for _ in range(25):
            depth = -float(opposing.distance(teeth.chewing_points(int(index))).min())
            step = float(np.clip(press_mm - depth, -0.5, 0.5))
            if abs(step) < 0.005 or abs(raised + step) > MOST_MM:
                break
            teeth = teeth.raised(int(index), step)
            raised += step
    return teeth

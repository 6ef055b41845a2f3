"""Height maps of what lies between ridge and crowns: the denture's resin, or the gum of the failing teeth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.height_map import HeightMap, grid_places, map_from
from seed_data.phantoms.layout import JawLayout

Floats = NDArray[np.float64]


def block_under(layout: JawLayout, *, below_neck_mm: float, facial_mm: float, tongue_mm: float) -> HeightMap:
    """A plateau along the crowns, `below_neck_mm` under their necks (negative: over them), falling off at the sides.

    facial_mm, tongue_mm: half widths from the middle of the necks.
    """
    uv = grid_places()
    teeth = layout.teeth
    lengths = teeth.sizes_mm[:, 2:3]
    necks = teeth.origins_mm - teeth.axes[:, 2] * lengths
    s_neck, t_neck = layout.facial.along(necks[:, :2])
    order = np.argsort(s_neck)
    s, t = layout.facial.along(uv)
    height = np.interp(s, s_neck[order], necks[order, 2]) - below_neck_mm
    across = t - np.interp(s, s_neck[order], t_neck[order])
    over = np.maximum(across - facial_mm, -across - tongue_mm)
    beyond = np.abs(s) - (np.abs(s_neck).max() + 0.5 * teeth.sizes_mm[:, 0].max() + 1.5)
    over = np.maximum(over, beyond)
    fall = np.clip((over + 1.0) / 5.0, 0.0, 1.0)
    return map_from(height - 22.0 * fall * fall * (3.0 - 2.0 * fall), blur_mm=0.8)

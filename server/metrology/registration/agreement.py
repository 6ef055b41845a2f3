"""What agrees between two surfaces laid on each other: the scatter of what piles up about zero, and weights by patches.

Scatter of points is soon averaged away over a patch, change is not: soft tissue caught out of its place stands out by as little
as single points scatter, but all of it. So each patch weighs by its mean offset against the scatter of the means of patches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.scan import Points

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MAD = 1.4826
"""Standard deviation over the median of amounts, of a normal scatter."""
CORE_SIGMAS, CORE_STILL, FEWEST_IN_CORE = 3.0, 0.98, 50
"""The scatter of what agrees is read within so many of itself, until it falls no further."""
LEAST_SIGMA_MM = 1e-4
PATCH_MM = 2.0
SCALE_PER_SIGMA = 3.0
LEAST_SCALE_MM = 0.012
"""Of the means of patches; no tighter, since some thirty points of 15 µm leave 4 µm to a mean."""


def core_sigma(values: Floats) -> float:
    """Robust standard deviation about zero of those values (n,) that agree with each other: read again and again within
    CORE_SIGMAS of itself. Where values pile up about zero it falls to the scatter of that pile; of a scatter without one, such
    as that of a bent arch, it stays. LEAST_SIGMA_MM at least, 1 of none."""
    amounts = np.sort(np.abs(values))
    n = len(amounts)
    sigma = max(MAD * float(amounts[n // 2]), LEAST_SIGMA_MM) if n else 1.0
    while n > FEWEST_IN_CORE:
        n = int(np.searchsorted(amounts, CORE_SIGMAS * sigma))
        within = max(MAD * float(amounts[n // 2]), LEAST_SIGMA_MM)
        if within > CORE_STILL * sigma:
            break
        sigma = within
    return sigma


@dataclass(frozen=True, slots=True)
class Weights:
    """values: (n,); slopes: (n,) how steeply each offset's pull, weight times offset, grows with it (Huber 1981, ch. 6)."""

    values: Floats
    slopes: Floats


def weights_by(offset_mm: Floats, is_met: Bools, scale_mm: float) -> Weights:
    """Of points (n,) by their own offsets, after Geman & McClure; 0 where not met."""
    s2 = scale_mm**2
    share = np.where(is_met, s2 / (s2 + offset_mm**2), 0.0)
    return Weights(share**2, share**2 * (4.0 * share - 3.0))


@dataclass(frozen=True, slots=True)
class Patches:
    """numbers: of two grids of cells of PATCH_MM, shifted by half a cell, which cell each point lies in, (n,)."""

    numbers: tuple[Ints, Ints]

    def weigh(self, offset_mm: Floats, own: Weights, is_met: Bools) -> Weights:
        """The same weights times those of the patches, from 1 where these agree to 0 where they are changed. own: of the points
        themselves."""
        mean = np.zeros(len(offset_mm))
        for number in self.numbers:
            total = np.bincount(number, weights=own.values)
            moment = np.bincount(number, weights=own.values * offset_mm)
            mean += (moment / np.maximum(total, 1e-9))[number] / len(self.numbers)
        s2 = max(SCALE_PER_SIGMA * core_sigma(mean[is_met]), LEAST_SCALE_MM) ** 2
        share = s2 / (s2 + mean**2)
        return Weights(own.values * share**2, own.slopes * share**2 * (4.0 * share - 3.0))


def patches_of(points: Points) -> Patches:
    """The patches of points (n, 3), which move with them."""
    low = points.min(axis=0)
    return Patches((_cells(points - low), _cells(points - low + 0.5 * PATCH_MM)))


def _cells(points: Points) -> Ints:
    cell = np.floor(points / PATCH_MM).astype(np.int64)
    key = cell[:, 0] << 42 | cell[:, 1] << 21 | cell[:, 2]
    return np.asarray(np.unique(key, return_inverse=True)[1].ravel(), dtype=np.int64)

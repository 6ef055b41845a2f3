"""Which of the bodies found is which of the sites written down: by their order and spacing along the arch.

Places along the arch are known from the surface (found) and from the tooth codes (written). They are paired in order, with
one shift and one stretch for the whole arch; where the counts differ, those are left out without whom the rest fits best.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PLACE_SIGMA_MM = 2.5
"""How far an implant lies from the middle of the tooth it is named for."""
SHIFT_SIGMA_MM = 3.0
STRETCH_SIGMA = 0.12
"""Arches are wider or narrower than those of common crowns by about this share (one sigma). Our own proposal."""
MOST_SITES = 16
CLEAR_ADVANTAGE = 4.0
"""Difference of the sums of squares, in units of sigma², by which another pairing must be worse."""


@dataclass(frozen=True, slots=True)
class Pairing:
    """pairs: (written, found) indices, by place. misfit: sum of squares over sigma², priors included; rival: of the
    next-best pairing that leaves out others, infinite where there is none. mirrored: the misfit with left and right of
    the found exchanged. off_mm: by pair, found less written place after shift and stretch."""

    pairs: tuple[tuple[int, int], ...]
    misfit: float
    rival: float
    mirrored: float
    off_mm: tuple[float, ...]

    @property
    def is_clear(self) -> bool:
        return self.rival - self.misfit > CLEAR_ADVANTAGE


def pair_along_arch(written_mm: Floats, found_mm: Floats) -> Pairing:
    """Pairs places along the arch, + toward the patient's left: written (m,), found (n,).

    Raises ValueError for more than MOST_SITES of either.
    """
    if max(len(written_mm), len(found_mm)) > MOST_SITES:
        raise ValueError(f"more than {MOST_SITES} places along an arch")
    best, rival = _best(written_mm, found_mm)
    mirrored, _ = _best(written_mm, -np.asarray(found_mm))
    misfit, pairs, off = best
    return Pairing(pairs, misfit, rival, mirrored[0], off)


_Choice = tuple[float, tuple[tuple[int, int], ...], tuple[float, ...]]


def _best(written: Floats, found: Floats) -> tuple[_Choice, float]:
    by_written, by_found = np.argsort(written, kind="stable"), np.argsort(found, kind="stable")
    k = min(len(written), len(found))
    choices: list[_Choice] = []
    for some in combinations(range(len(written)), k):
        for others in combinations(range(len(found)), k):
            i, j = by_written[list(some)], by_found[list(others)]
            misfit, off = _misfit(written[i], found[j])
            pairs = tuple((int(a), int(b)) for a, b in zip(i, j, strict=True))
            choices.append((misfit, pairs, tuple(float(x) for x in off)))
    choices.sort(key=lambda c: c[0])
    return choices[0], choices[1][0] if len(choices) > 1 else np.inf


def _misfit(written: Floats, found: Floats) -> tuple[float, Floats]:
    """The least sum of squares with a shift and a stretch that are held by what is usual."""
    if len(written) == 0:
        return 0.0, written
    rows = np.vstack(
        [
            np.column_stack([np.ones(len(written)), written]) / PLACE_SIGMA_MM,
            [[1.0 / SHIFT_SIGMA_MM, 0.0], [0.0, 1.0 / STRETCH_SIGMA]],
        ]
    )
    wanted = np.concatenate([found / PLACE_SIGMA_MM, [0.0, 1.0 / STRETCH_SIGMA]])
    solution, *_ = np.linalg.lstsq(rows, wanted, rcond=None)
    left = wanted - rows @ solution
    return float(left @ left), np.asarray(left[:-2] * PLACE_SIGMA_MM)

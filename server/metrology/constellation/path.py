"""The way along an arch: the shortest path that visits every site once, and places on it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.polynomial.legendre import leggauss, legval
from numpy.typing import NDArray

from server.metrology.constellation.poses import Floats

LEAST_LENGTH_MM = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """at_mm: (n, 3) the sites. order: (n,) from one end to the other; share: (n,) of the way at each site; length_mm."""

    at_mm: Floats
    order: NDArray[np.int64]
    share: Floats
    length_mm: float

    def integral_mm(self, order: int) -> Floats:
        """(n, 3) the path's direction weighted by the Legendre polynomial of an order, summed up to each site."""
        nodes, weights = leggauss(3)
        along, points = self.share[self.order], self.at_mm[self.order]
        sums = [np.zeros(3)]
        for (s0, s1), step in zip(pairwise(along), np.diff(points, axis=0), strict=True):
            middle = 0.5 * (s0 + s1) + 0.5 * (s1 - s0) * nodes
            sums.append(sums[-1] + 0.5 * float(weights @ legendre(middle, order)) * step)
        out = np.empty_like(self.at_mm)
        out[self.order] = sums
        return out


def legendre(share: Floats, order: int) -> Floats:
    """The Legendre polynomial of an order over 0..1."""
    return np.asarray(legval(2.0 * share - 1.0, [0.0] * order + [1.0]))


def path_through(at_mm: Floats) -> Path:
    """The shortest open path through places (n, 3), 2 ≤ n ≤ 16."""
    order = _shortest(np.linalg.norm(at_mm[:, None] - at_mm[None], axis=2))
    steps = np.linalg.norm(np.diff(at_mm[order], axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    length = max(float(along[-1]), LEAST_LENGTH_MM)
    share = np.empty(len(order))
    share[order] = along / length
    return Path(at_mm, order, share, length)


@njit(cache=True, nogil=True)
def _shortest(D: Floats) -> NDArray[np.int64]:  # pragma: no cover - compiled
    """Order of the shortest open path over all places, by distances (n, n) (Held & Karp 1962, over subsets)."""
    n = len(D)
    least = np.full((1 << n, n), np.inf)
    before = np.full((1 << n, n), -1, dtype=np.int64)
    for mask in range(1, 1 << n):
        for k in range(n):
            rest = mask ^ (1 << k)
            if not mask >> k & 1:
                continue
            if rest == 0:
                least[mask, k] = 0.0
            for j in range(n):
                if rest >> j & 1 and least[rest, j] + D[j, k] < least[mask, k]:
                    least[mask, k], before[mask, k] = least[rest, j] + D[j, k], j
    mask, last = (1 << n) - 1, int(np.argmin(least[-1]))
    order = np.empty(n, dtype=np.int64)
    for k in range(n):
        order[k] = last
        mask, last = mask ^ (1 << last), int(before[mask, last])
    return order

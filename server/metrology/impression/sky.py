"""From where pieces of a surface see the sky: the share of it that nothing hides, and the middle of what is seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.bvh import BoxTree
from server.metrology.scan import Points

Floats = NDArray[np.float64]

START_MM = 0.05
LEAST_COSINE = 0.15
DIRECTIONS = 48


@dataclass(frozen=True, slots=True)
class Sky:
    """open_ratio: (n,) share of the half sphere before each place that is open, weighed by the cosine. middle: (n, 3) mean
    direction of the open part, as long as that share allows."""

    open_ratio: Floats
    middle: Points


def sky_of(tree: BoxTree, at: Points, normals: Points) -> Sky:
    """The sky seen from places on a surface, (n, 3), along the same DIRECTIONS for all."""
    rays = _even_directions(DIRECTIONS)
    cosine = normals @ rays.T
    place, ray = np.nonzero(cosine > LEAST_COSINE)
    start = at[place] + START_MM * normals[place]
    blocked = tree.is_blocked(start, np.ascontiguousarray(rays[ray]), np.inf, 0.0)
    weight = cosine[place, ray]
    whole = np.maximum(np.bincount(place, weights=weight, minlength=len(at)), 1e-9)
    seen = weight * ~blocked
    middle = [np.bincount(place, weights=seen * rays[ray, k], minlength=len(at)) for k in range(3)]
    return Sky(
        np.bincount(place, weights=seen, minlength=len(at)) / whole, np.stack(middle, axis=1) / whole[:, None]
    )


def _even_directions(count: int) -> Points:
    """(count, 3) unit directions spread evenly over the sphere (Fibonacci lattice)."""
    k = np.arange(count) + 0.5
    z, turn = 1.0 - 2.0 * k / count, k * np.pi * (3.0 - np.sqrt(5.0))
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)

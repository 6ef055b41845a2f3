"""Poses worth trying: pairs of points on one surface matched to pairs alike on the other, each pose tried on a few points.

A pair of points with normals, well apart, fixes a pose (as in Drost 2010, point pair features). Pairs are drawn from a
fixed seed; partners come from likeness of their surroundings; hundreds of thousands of poses are tried on a few dozen
points through a dense look-up, and the best are kept for the fits that follow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.registration.nearby import Nearby, score_of
from server.metrology.registration.pairs import carry, frame_of, is_alike, shape_of
from server.metrology.registration.rings import rings_of, smoothed
from server.metrology.registration.surface import Samples
from server.metrology.scan import Points

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

KEYS = 360
PARTNERS = 48
PAIRS = 9_000
PAIR_MM = (7.0, 45.0)
QUICK_POINTS = 64
KEPT = 1_000
TRIES_LIMIT = 120_000
"""Poses tried at most; pairs come in random order, so that stopping early favours none."""
SLOTS = 1 << 16
SLOT_MM = 5.0
ARM_MM = 18.0
"""Of poses that carry two points, an arm's length apart, into the same cells of SLOT_MM, the best one is kept."""
SEED = 20


@dataclass(frozen=True, slots=True)
class Starts:
    """T: (k, 4, 4) target from probe, best first; score: (k,) share of the tried points found, weighted by nearness."""

    T: Floats
    score: Floats


def starts_between(probe: Samples, target: Samples, nearby: Nearby) -> Starts:
    """The KEPT best of all poses tried. probe, target: a few thousand points each; nearby: the look-up of target's."""
    own = smoothed(probe.points, probe.normals)
    theirs = smoothed(target.points, target.normals)
    rings = rings_of(probe.points, own, probe.area_mm2)
    keys = _keys(rings)
    partners = _partners(rings[keys], rings_of(target.points, theirs, target.area_mm2), PARTNERS)
    pairs = _pairs(probe.points[keys])
    tried = np.ascontiguousarray(probe.points[:: max(1, len(probe.points) // QUICK_POINTS)])
    tried_normals = np.ascontiguousarray(probe.normals[:: max(1, len(probe.points) // QUICK_POINTS)])
    T, score = _proposed(

        probe.points[keys], own[keys], partners, pairs, target.points, theirs, tried, tried_normals,
        nearby.nearest, nearby.low, nearby.cell_mm, nearby.shape, _arms(probe.points),
    )  # fmt: skip
    order = np.argsort(-score, kind="stable")[:KEPT]
    order = order[score[order] > 0.0]
    return Starts(T[order], score[order])


def _arms(points: Points) -> Points:
    """Three points (3, 3) that move with the surface and tell poses apart: its middle, and an arm's length aside."""
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle, full_matrices=False)[2]
    return np.stack([middle, middle + ARM_MM * axes[0], middle + ARM_MM * axes[1]])


def _keys(rings: Floats) -> Ints:
    """Points to be matched: half spread evenly, half where the surroundings are least like the usual."""
    described = np.flatnonzero(np.isfinite(rings).sum(axis=1) >= rings.shape[1] // 2)
    if len(described) <= KEYS:
        return described
    with np.errstate(invalid="ignore"):
        unusual = np.nansum((rings[described] - np.nanmedian(rings[described], axis=0)) ** 2, axis=1)
    odd = described[np.argsort(-unusual, kind="stable")[: len(described) // 3]]
    spread = described[:: max(1, 2 * len(described) // KEYS)]
    return np.unique(np.r_[spread, odd[:: max(1, 2 * len(odd) // KEYS)]])


def _pairs(points: Points) -> Ints:
    rng = np.random.default_rng(SEED)
    if len(points) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    drawn = rng.integers(0, len(points), size=(6 * PAIRS, 2))
    apart = np.linalg.norm(points[drawn[:, 0]] - points[drawn[:, 1]], axis=1)
    good = (apart > PAIR_MM[0]) & (apart < PAIR_MM[1])
    return np.ascontiguousarray(drawn[good][:PAIRS])


@njit(cache=True, nogil=True)
def _partners(own: Floats, theirs: Floats, count: int) -> Ints:
    """(k, count) for each key the points of the other surface most like it, -1 where there are fewer."""
    out = np.full((own.shape[0], count), -1, dtype=np.int64)
    gaps = np.empty(count)
    for a in range(own.shape[0]):
        gaps[:] = np.inf
        worst = 0
        for b in range(theirs.shape[0]):
            total, n = 0.0, 0
            for d in range(own.shape[1]):
                gap = own[a, d] - theirs[b, d]
                if gap == gap:
                    total += min(gap * gap, 1.0)
                    n += 1
            if 2 * n < own.shape[1]:
                continue
            total = total / n + 0.02 * (own.shape[1] - n) / own.shape[1]
            if total < gaps[worst]:
                gaps[worst] = total
                out[a, worst] = b
                worst = int(np.argmax(gaps))
    return out


@njit(cache=True, nogil=True)
def _slot(T: Floats, arms: Points) -> int:
    number = 0
    for a in range(3):
        for d in range(3):
            x = T[d, 0] * arms[a, 0] + T[d, 1] * arms[a, 1] + T[d, 2] * arms[a, 2] + T[d, 3]
            number = number * 1_000_003 + int(np.floor(x / SLOT_MM))
    return (number ^ (number >> 17)) & (SLOTS - 1)


@njit(cache=True, nogil=True)
def _proposed(
    keys: Points,
    key_normals: Points,
    partners: Ints,
    pairs: Ints,
    target: Points,
    normals: Points,
    tried: Points,
    tried_normals: Points,
    nearest: NDArray[np.int32],
    low: Floats,
    cell: float,
    shape: Ints,
    arms: Points,
) -> tuple[Floats, Floats]:
    kept, scores = np.zeros((SLOTS, 4, 4)), np.zeros(SLOTS)
    own, other, T = np.empty((3, 3)), np.empty((3, 3)), np.eye(4)
    count, tries = partners.shape[1], 0
    for pair in range(pairs.shape[0]):
        a, b = pairs[pair, 0], pairs[pair, 1]
        wanted = shape_of(keys[a], keys[b], key_normals[a], key_normals[b])
        if tries >= TRIES_LIMIT or not frame_of(keys[a], keys[b], key_normals[a], key_normals[b], own):
            continue
        for k in range(count * count):
            p, q = partners[a, k // count], partners[b, k % count]
            if p < 0 or q < 0 or not is_alike(target, normals, p, q, wanted):
                continue
            if not frame_of(target[p], target[q], normals[p], normals[q], other):
                continue
            carry(own, other, keys[a], keys[b], target[p], target[q], T)
            tries += 1
            score = score_of(T, tried, tried_normals, target, normals, nearest, low, cell, shape, 1.5)
            slot = _slot(T, arms)
            if score > scores[slot]:
                scores[slot] = score
                kept[slot] = T
    return kept, scores

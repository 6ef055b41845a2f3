"""The order in which a tree of boxes holds its facets: halved at the median along the longer side, again and again."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Points

Ints = NDArray[np.int32]

LEAF = 4
"""Facets in one leaf."""


@njit(cache=True, nogil=True)
def halved(middles: Points, first_leaf: int) -> Ints:
    """Facets in the order of the leaves: the lesser half to the left, as many as its leaves hold. Sorts `middles` along."""
    n = middles.shape[0]
    order = np.arange(n).astype(np.int32)
    begins, ends, leaves = np.empty(64, np.int64), np.empty(64, np.int64), np.empty(64, np.int64)
    begins[0], ends[0], leaves[0] = 0, n, first_leaf
    top = 1
    while top > 0:
        top -= 1
        begin, end, n_leaves = begins[top], ends[top], leaves[top]
        if end - begin <= LEAF:
            continue
        cut = begin + (n_leaves >> 1) * LEAF
        if cut < end:
            _select(order, middles, _longest_axis(middles, begin, end), begin, end, cut)
            begins[top], ends[top], leaves[top] = cut, end, n_leaves >> 1
            top += 1
        begins[top], ends[top], leaves[top] = begin, min(cut, end), n_leaves >> 1
        top += 1
    return order


@njit(cache=True, nogil=True)
def _longest_axis(middles: Points, begin: int, end: int) -> int:
    axis, longest = 0, -1.0
    for d in range(3):
        low, high = np.inf, -np.inf
        for i in range(begin, end):
            low = min(low, middles[i, d])
            high = max(high, middles[i, d])
        if high - low > longest:
            axis, longest = d, high - low
    return axis


@njit(cache=True, nogil=True)
def _select(order: Ints, middles: Points, axis: int, begin: int, end: int, place: int) -> None:
    """Partly sorts order and middles [begin:end] along an axis until what stands left of `place` is not above what stands right
    (method: Hoare 1961, Find). The pivot's place wanders, so that no likely order makes it slow."""
    wandering = np.uint64(0x9E3779B97F4A7C15)
    while end - begin > 1:
        wandering = wandering * np.uint64(6364136223846793005) + np.uint64(1442695040888963407)
        at = begin + np.int64((wandering >> np.uint64(33)) % np.uint64(end - begin))
        pivot = middles[at, axis]
        i, j = begin, end - 1
        while i <= j:
            while middles[i, axis] < pivot:
                i += 1
            while middles[j, axis] > pivot:
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                for d in range(3):
                    middles[i, d], middles[j, d] = middles[j, d], middles[i, d]
                i += 1
                j -= 1
        if place <= j:
            end = j + 1
        elif place >= i:
            begin = i
        else:
            return

"""A thinned surface as few bytes, to be unpacked by a page without any library.

The surface is walked from facet to facet across shared edges. Each facet adds one corner: a new point, foretold by the
parallelogram over the facet before it and written as what is left, or one already there, written by how long ago it came
(*Sources*: Touma & Gotsman 1998, Triangle mesh compression, for the foretelling; Gumhold & Strasser 1998 for the walk;
written from memory of both). Bytes of like meaning stand together, so that deflating finds them alike.

Layout, little-endian: `APV1`; uint32 points, facets, words, backward steps; float64 origin x, y, z, step, deviation, mm;
words, four to a byte, the first in the low bits; what is left of points, as zigzag numbers of three bytes: the low bytes of
all x, of all y, of all z, then the middle ones, then the high ones; backward steps likewise. Words: NEW and OLD add a
corner, NONE says that nothing goes on across an edge. The reader keeps a stack of edges; where it is empty, three words
begin another piece.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.scan import Faces, Points

MAGIC = b"APV1"
HEADER = struct.Struct("<4s4I5d")
NEW, OLD, NONE = 0, 1, 2
_CORNER = 3
"""Stands for NEW or OLD until it is known which."""
WIDEST = 1 << 23

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Rounded:
    """A surface on a grid: places (n, 3) int64, non-negative, in steps from the origin."""

    places: Ints
    faces: Faces
    origin_mm: Points
    step_mm: float

    @property
    def vertices(self) -> Points:
        """(n, 3) float64, mm."""
        return np.asarray(self.origin_mm + self.places * self.step_mm)


def rounded(vertices: Points, faces: Faces, step_mm: float) -> Rounded:
    """The surface on a grid: points that fall together are one, facets left without area are none.

    Raises ValueError where it is wider than the grid can be, or nothing of it is left.
    """
    origin = vertices.min(axis=0)
    steps = np.round((vertices - origin) / step_mm)
    if steps.max(initial=0.0) >= WIDEST // 4:
        raise ValueError("the surface is too wide to be drawn at this step")
    places, number = np.unique(steps.astype(np.int64), axis=0, return_inverse=True)
    kept = number.reshape(-1)[faces]
    sides = places[kept[:, 1:]] - places[kept[:, :1]]
    kept = kept[np.cross(sides[:, 0], sides[:, 1]).any(axis=1)]
    if not len(kept):
        raise ValueError("nothing is left of the surface")
    return Rounded(places, kept.astype(np.int32), origin, step_mm)


def coded(surface: Rounded, deviation_mm: float) -> bytes:
    """The surface as bytes, not deflated yet. Points that no facet uses are left out."""
    faces = surface.faces.astype(np.int64)
    corners, via, words = _walk(faces, _across(faces, len(surface.places)))
    is_start = via < 0
    asked = np.stack(
        [np.where(is_start, corners[:, 0], -1), np.where(is_start, corners[:, 1], -1), corners[:, 2]]
    )
    events = asked.T.ravel()
    is_asked = events >= 0
    events = events[is_asked]
    is_new = np.zeros(len(events), dtype=bool)
    is_new[np.unique(events, return_index=True)[1]] = True
    words[words == _CORNER] = np.where(is_new, NEW, OLD)
    count_before = np.cumsum(is_new) - is_new
    number = np.full(len(surface.places), -1, dtype=np.int64)
    number[events[is_new]] = np.arange(int(is_new.sum()))
    steps = (count_before - number[events])[~is_new]
    left = _left_over(surface.places, corners, via, events, is_new, is_asked)
    head = HEADER.pack(
        MAGIC, int(is_new.sum()), len(faces), len(words), len(steps),
        *(float(v) for v in surface.origin_mm), surface.step_mm, deviation_mm,
    )  # fmt: skip
    return head + _quarters(words) + _planes(_zigzag(left)) + _planes(steps[:, None])


def _left_over(
    places: Ints,
    corners: Ints,
    via: Ints,
    events: Ints,
    is_new: NDArray[np.bool_],
    is_asked: NDArray[np.bool_],
) -> Ints:
    """(points, 3): of each new point, in the order they come, its place less what was foretold."""
    facet = np.repeat(np.arange(len(corners)), 3)[is_asked][is_new]
    point = events[is_new]
    before = np.concatenate([np.zeros((1, 3), dtype=np.int64), places[point[:-1]]])
    on = np.flatnonzero(via[facet] >= 0)
    edge = via[facet[on]]
    a, b = corners[facet[on], 0], corners[facet[on], 1]
    opposite = corners[edge // 3, (edge % 3 + 2) % 3]
    foretold = before
    foretold[on] = places[a] + places[b] - places[opposite]
    return np.asarray(places[point] - foretold)


def _across(faces: Ints, n_points: int) -> Ints:
    """(3 m,) for each half-edge the one that runs against it, -1 where none does: facets wound alike share such a pair."""
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    own, against = start * n_points + end, end * n_points + start
    order = np.argsort(own, kind="stable")
    at = np.searchsorted(own[order], against)
    found = np.full(len(own), -1, dtype=np.int64)
    inside = np.flatnonzero(at < len(own))
    is_met = own[order[at[inside]]] == against[inside]
    found[inside[is_met]] = order[at[inside[is_met]]]
    return found


@njit(cache=True, nogil=True)
def _walk(faces: Ints, across: Ints) -> tuple[Ints, Ints, NDArray[np.uint8]]:
    """Facets in the order of the walk: corners (m, 3), turned so that the new one is last; via (m,): the half-edge of that
    order that was crossed, -1 where a piece begins; words, _CORNER for each corner added."""
    m = len(faces)
    corners = np.empty((m, 3), np.int64)
    via = np.full(m, -1, np.int64)
    place = np.full(m, -1, np.int64)
    turn = np.zeros(m, np.int64)
    stack = np.empty(3 * m + 3, np.int64)
    words = np.empty(6 * m + 3, np.uint8)
    n_words = made = 0
    for seed in range(m):
        if place[seed] >= 0:
            continue
        corners[made] = faces[seed]
        place[seed] = made
        made += 1
        words[n_words : n_words + 3] = 3
        n_words += 3
        for k in range(3):
            stack[k] = 3 * seed + 2 - k
        top = 3
        while top:
            top -= 1
            half = stack[top]
            facet, other = half // 3, across[half]
            if other < 0 or place[other // 3] >= 0:
                words[n_words] = 2
                n_words += 1
                continue
            met, edge = other // 3, other % 3
            for k in range(3):
                corners[made, k] = faces[met, (edge + k) % 3]
            via[made] = 3 * place[facet] + (half % 3 - turn[facet]) % 3
            place[met], turn[met] = made, edge
            made += 1
            words[n_words] = 3
            n_words += 1
            stack[top] = 3 * met + (edge + 2) % 3
            stack[top + 1] = 3 * met + (edge + 1) % 3
            top += 2
    return corners, via, words[:n_words].copy()


def _zigzag(values: Ints) -> Ints:
    return np.where(values >= 0, 2 * values, -2 * values - 1)


def _quarters(words: NDArray[np.uint8]) -> bytes:
    padded = np.zeros((-(-len(words) // 4), 4), dtype=np.uint8)
    padded.ravel()[: len(words)] = words
    return np.asarray(padded @ np.array([1, 4, 16, 64], dtype=np.uint8), dtype=np.uint8).tobytes()


def _planes(values: Ints) -> bytes:
    """Numbers (n, k) of three bytes: the low ones of each column, then the middle ones, then the high ones."""
    columns = values.T
    return b"".join(((columns >> shift) & 255).astype(np.uint8).tobytes() for shift in (0, 8, 16))

"""A preview read back: the surface that `coding` wrote, as points and facets."""

from __future__ import annotations

import gzip
import struct
import zlib

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.preview.coding import HEADER, MAGIC, NEW, NONE
from server.metrology.scan import Scan

Ints = NDArray[np.int64]
Words = NDArray[np.uint8]


class NotAPreview(ValueError):
    """The bytes are no preview, or not a whole one."""


def scan_of(data: bytes) -> Scan:
    """The surface of a gzipped preview, in its scan's frame, mm. Raises NotAPreview."""
    try:
        raw = gzip.decompress(data)
        magic, n_points, n_faces, n_words, n_steps, *lengths = HEADER.unpack_from(raw)
    except (OSError, EOFError, zlib.error, struct.error) as broken:
        raise NotAPreview("these bytes are no preview") from broken
    at = HEADER.size
    ends = at + -(-n_words // 4) + 9 * n_points + 3 * n_steps
    if magic != MAGIC or ends != len(raw):
        raise NotAPreview("these bytes are no whole preview")
    packed = np.frombuffer(raw, np.uint8, -(-n_words // 4), at)
    quarters = (packed[:, None] >> np.array([0, 2, 4, 6], dtype=np.uint8)) & 3
    words = np.ascontiguousarray(quarters.ravel()[:n_words], dtype=np.uint8)
    at += len(packed)
    zigzag = _columns(raw, at, n_points, 3)
    left = np.where(zigzag % 2 == 0, zigzag // 2, -(zigzag + 1) // 2)
    steps = _columns(raw, at + 9 * n_points, n_steps, 1)[:, 0]
    places, faces, is_whole = _walked(words, left, steps, n_faces)
    if not is_whole:
        raise NotAPreview("the facets of this preview do not add up")
    return Scan(np.array(lengths[:3]) + places * lengths[3], faces.astype(np.int32))


def _columns(raw: bytes, at: int, n: int, k: int) -> Ints:
    planes = np.frombuffer(raw, np.uint8, 3 * k * n, at).reshape(3, k, n).astype(np.int64)
    return np.ascontiguousarray((planes[0] + 256 * planes[1] + 65536 * planes[2]).T)


@njit(cache=True, nogil=True)
def _walked(words: Words, left: Ints, steps: Ints, n_faces: int) -> tuple[Ints, Ints, bool]:
    """The walk of `coding` made again: places (n, 3) in steps, facets (m, 3), and whether all came out even."""
    places = np.zeros((len(left), 3), np.int64)
    faces = np.zeros((n_faces, 3), np.int64)
    stack = np.zeros((3 * n_faces + 3, 2), np.int64)
    made = np.zeros(2, np.int64)  # points and backward steps so far
    n_made = word = top = 0
    while word < len(words):
        count = 1 if top else 3
        if top:
            top -= 1
            if words[word] == NONE:
                word += 1
                continue
            facet, edge = stack[top]
            face = faces[facet]
            around = np.array([face[(edge + 1) % 3], face[edge], face[(edge + 2) % 3]])
        if n_made == n_faces or word + count > len(words):
            return places, faces, False
        if count == 1:
            faces[n_made, 0], faces[n_made, 1] = around[0], around[1]
            foretold = places[around[0]] + places[around[1]] - places[around[2]]
        for k in range(count):
            if count == 3:
                foretold = places[max(made[0] - 1, 0)]
            number = _corner(words[word], foretold, places, left, steps, made)
            if number < 0:
                return places, faces, False
            faces[n_made, 2 if count == 1 else k] = number
            word += 1
        for other in range(2, 0 if count == 1 else -1, -1):
            stack[top, 0], stack[top, 1] = n_made, other
            top += 1
        n_made += 1
    return places, faces, made[0] == len(left) and n_made == n_faces and made[1] == len(steps)


@njit(cache=True, nogil=True)
def _corner(word: int, foretold: Ints, places: Ints, left: Ints, steps: Ints, made: Ints) -> int:
    """The number of the next corner, a new point or one already there; -1 where there is none such."""
    if word == NEW:
        if made[0] == len(left):
            return -1
        places[made[0]] = foretold + left[made[0]]
        made[0] += 1
        return int(made[0] - 1)
    if made[1] == len(steps):
        return -1
    made[1] += 1
    number = made[0] - steps[made[1] - 1]
    return int(number) if 0 <= number < made[0] else -1

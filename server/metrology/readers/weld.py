"""Joins corners that lie at exactly the same place, in linear time, whatever the file."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.metrology.readers.reading import ReadingNote
from server.metrology.readers.reasons import Reason
from server.metrology.scan import Faces, Points, Scan

COORDINATE_LIMIT = 1e9
"""Largest magnitude of a coordinate, in file units: a kilometre where the unit is a micrometre."""
TINY = 2.0**-126
"""Smallest normal 32-bit float: anything nearer to zero is read as zero."""
MAX_FACETS = 20_000_000

Words = NDArray[np.unsignedinteger[Any]]
Indices = NDArray[np.int32]


def _bits(kind: type[np.floating[Any]], word: type[np.unsignedinteger[Any]]) -> Words:
    """The magnitude mask, TINY, COORDINATE_LIMIT, infinity and zero as words of one width."""
    largest_word = np.iinfo(word).max
    limits = np.array([0, TINY, COORDINATE_LIMIT, np.inf, 0], kind).view(word)
    limits[0] = largest_word >> 1
    return limits


_BITS: dict[int, Words] = {4: _bits(np.float32, np.uint32), 8: _bits(np.float64, np.uint64)}


@dataclass(frozen=True, slots=True)
class Soup:
    """Facets as a file stores them, before the weld.

    points: (n, 3) float32 or float64, C-contiguous, the soup's own: the weld writes zeros over tiny numbers.
    corners: (m, 3) int32 into points, checked to be in range; None where every three points are a facet.
    rgb: (n, 3) uint8 or None.
    """

    points: NDArray[np.float32] | Points
    corners: Faces | None = None
    rgb: NDArray[np.uint8] | None = None


@dataclass(frozen=True, slots=True)
class Welded:
    """A scan whose vertices are all different and all used; what was left out on the way is counted."""

    scan: Scan
    n_collapsed_facets: int
    notes: tuple[ReadingNote, ...]


def weld(soup: Soup) -> Welded:
    """The soup with equal points joined, facets with two equal corners left out and counted; 0.0 equals -0.0.

    Vertices keep the order, and the colour, of their first appearance.
    Raises: Unreadable where coordinates are not finite or beyond any scan, or where no facet remains.
    """
    n_points, kind = len(soup.points), soup.points.dtype
    bits = _BITS[kind.itemsize]
    places = np.empty((n_points, 3), kind)
    first, joined = np.empty(n_points, np.int32), np.empty(n_points, np.int32)
    secret = np.array([secrets.randbits(64) | 1 for _ in range(3)], np.uint64)
    n_places, n_not_finite, n_beyond, n_tiny = _join_equal(
        soup.points.view(bits.dtype), bits, secret, places.view(bits.dtype), first, joined
    )
    _refuse_bad_coordinates(n_not_finite, n_beyond)
    faces = joined.reshape(-1, 3) if soup.corners is None else joined[soup.corners]
    n_kept, n_never_used, kept_places = _keep_proper(faces, n_places)
    n_collapsed = len(faces) - n_kept
    if n_kept == 0:
        raise (Reason.ALL_COLLAPSED if n_collapsed else Reason.NO_FACETS).refusal()
    which = slice(n_places) if len(kept_places) == n_places else kept_places
    vertices = places[which].astype(np.float64)
    scan = Scan(vertices, faces[:n_kept], None if soup.rgb is None else soup.rgb[first[which]])
    return Welded(scan, n_collapsed, _notes(n_tiny, n_never_used))


def _refuse_bad_coordinates(n_not_finite: int, n_beyond: int) -> None:
    if n_not_finite:
        raise Reason.NOT_FINITE.refusal(f"{n_not_finite} coordinates of the file are no finite numbers.")
    if n_beyond:
        raise Reason.BEYOND_RANGE.refusal(
            f"{n_beyond} coordinates of the file are larger than {COORDINATE_LIMIT:.0e}, far beyond any scan."
        )


def _notes(n_tiny: int, n_never_used: int) -> tuple[ReadingNote, ...]:
    notes = []
    if n_tiny:
        says = f"{n_tiny} coordinates nearer to zero than 1.2e-38 were read as zero."
        notes.append(ReadingNote("denormals", says))
    if n_never_used:
        notes.append(ReadingNote("unused-points", f"{n_never_used} points that no facet uses were left out."))
    return tuple(notes)


@njit(cache=True, nogil=True)
def _join_equal(
    points: Words, limits: Words, secret: Words, places: Words, first: Indices, joined: Indices
) -> tuple[int, int, int, int]:
    """Fills joined (n,) with the number of each point's place, per place its point and who showed it first.

    points, places: (n, 3) floats seen as unsigned words; magnitudes of floats are in the order of their bits.
    limits: _BITS of that width. Returns (places, not finite, beyond range, read as zero). The hash is
    multiply-shift with secret multipliers (Dietzfelbinger et al. 1997): no file can be built to collide.
    """
    magnitude, tiny, largest, infinite, zero = limits[0], limits[1], limits[2], limits[3], limits[4]
    n_places, n_not_finite, n_beyond, n_tiny = 0, 0, 0, 0
    bits = 12
    while (1 << bits) < len(points) // 3:
        bits += 1
    table = np.zeros(1 << bits, np.uint64)
    for i in range(len(points)):
        for axis in range(3):
            size = points[i, axis] & magnitude
            if size < tiny:
                n_tiny += size > zero
                points[i, axis] = zero
            elif size > largest:
                n_beyond += size < infinite
                n_not_finite += size >= infinite
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        h = x * secret[0] + y * secret[1] + z * secret[2]
        tag = h >> np.uint64(32)
        slot = h >> np.uint64(64 - bits)
        while True:
            entry = table[slot]
            if entry == 0:
                places[n_places, 0], places[n_places, 1], places[n_places, 2] = x, y, z
                first[n_places] = i
                joined[i] = n_places
                n_places += 1
                table[slot] = (tag << np.uint64(32)) | np.uint64(n_places)
                break
            if (entry >> np.uint64(32)) == tag:
                j = np.int64(entry & np.uint64(0xFFFFFFFF)) - 1
                if places[j, 0] == x and places[j, 1] == y and places[j, 2] == z:
                    joined[i] = j
                    break
            slot = (slot + np.uint64(1)) & np.uint64(len(table) - 1)
        if 2 * n_places > len(table):
            table, bits = _doubled(table, bits)
    return n_places, n_not_finite, n_beyond, n_tiny


@njit(cache=True, nogil=True)
def _doubled(table: Words, bits: int) -> tuple[Words, int]:
    """The same entries in a table twice as large: each carries the top half of its hash, hence its slot."""
    larger = np.zeros(2 * len(table), np.uint64)
    for entry in table:
        if entry != 0:
            slot = entry >> np.uint64(64 - (bits + 1))
            while larger[slot] != 0:
                slot = (slot + np.uint64(1)) & np.uint64(len(larger) - 1)
            larger[slot] = entry
    return larger, bits + 1


@njit(cache=True, nogil=True)
def _keep_proper(faces: Faces, n_places: int) -> tuple[int, int, Indices]:
    """Moves facets with three different corners to the front and numbers the places that they use, in place.

    Returns (facets kept, places that no facet at all uses, the used places in order).
    """
    used = np.zeros(n_places, np.uint8)
    n_kept = 0
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        if a != b and b != c and c != a:
            used[a] = used[b] = used[c] = 2
            faces[n_kept, 0], faces[n_kept, 1], faces[n_kept, 2] = a, b, c
            n_kept += 1
        else:
            used[a], used[b], used[c] = max(used[a], 1), max(used[b], 1), max(used[c], 1)
    n_used, n_never_used = 0, 0
    for mark in used:
        n_used += mark == 2
        n_never_used += mark == 0
    if n_used == n_places:
        return n_kept, n_never_used, np.arange(n_places, dtype=np.int32)
    kept_places = np.empty(n_used, np.int32)
    renumbered = np.empty(n_places, np.int32)
    n_used = 0
    for place in range(n_places):
        if used[place] == 2:
            kept_places[n_used] = place
            renumbered[place] = n_used
            n_used += 1
    for f in range(n_kept):
        for corner in range(3):
            faces[f, corner] = renumbered[faces[f, corner]]
    return n_kept, n_never_used, kept_places

"""Polygons split into triangles, all from their first corner."""

from __future__ import annotations

import numpy as np
from numba import njit

from server.metrology.readers.reading import ReadingNote
from server.metrology.readers.reasons import Reason
from server.metrology.readers.weld import MAX_FACETS, Indices
from server.metrology.scan import Faces


def triangulated(sizes: Indices, flat: Indices) -> tuple[Faces, tuple[ReadingNote, ...]]:
    """The corners (m, 3) of polygons given by their numbers of corners, each at least 3, and all corners in a row.

    A polygon that is not convex comes out folded: a fan is exact only for convex ones, and the note says so.
    Raises: Unreadable where there are no facets, or more than can be measured.
    """
    n_facets = int(sizes.sum(dtype=np.int64)) - 2 * len(sizes)
    if n_facets == 0:
        raise Reason.NO_FACETS.refusal()
    if n_facets > MAX_FACETS:
        raise Reason.TOO_MANY_FACETS.refusal(f"The file holds {n_facets} facets; {MAX_FACETS} are the most.")
    n_polygons = int(np.count_nonzero(sizes > 3))
    if n_polygons == 0:
        return flat.reshape(-1, 3), ()
    corners = np.empty((n_facets, 3), np.int32)
    _fan_out(sizes, flat, corners)
    says = (
        f"{n_polygons} facets with more than three corners were split into triangles, as if they were convex."
    )
    return corners, (ReadingNote("polygons", says),)


@njit(cache=True, nogil=True)
def _fan_out(sizes: Indices, flat: Indices, corners: Faces) -> None:
    begin, row = 0, 0
    for size in sizes:
        for k in range(1, size - 1):
            corners[row, 0], corners[row, 1], corners[row, 2] = (
                flat[begin],
                flat[begin + k],
                flat[begin + k + 1],
            )
            row += 1
        begin += size

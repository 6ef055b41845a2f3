"""A surface scan in memory, as every measure sees it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Points = NDArray[np.float64]
Faces = NDArray[np.int32]


@njit(cache=True, nogil=True)
def facet_centres(vertices: Points, faces: Faces) -> Points:
    """(m, 3) the middle of each facet's corners. vertices: (n, 3); faces: (m, 3), any integers."""
    out = np.empty((faces.shape[0], 3))
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        for d in range(3):
            out[f, d] = (vertices[a, d] + vertices[b, d] + vertices[c, d]) / 3.0
    return out


@dataclass(frozen=True, slots=True)
class Scan:
    """A welded triangle mesh.

    vertices: (n, 3) float64, in the file's frame; mm once a unit has been applied. No two rows are equal.
    faces: (m, 3) int32, indices into vertices, no two of a row equal (such facets are counted by the reader).
    vertex_rgb: (n, 3) uint8 as the file gives it, or None.
    Arrays are read-only by agreement: no measure writes into them.
    """

    vertices: Points
    faces: Faces
    vertex_rgb: NDArray[np.uint8] | None = None

    @property
    def n_vertices(self) -> int:
        return len(self.vertices)

    @property
    def n_faces(self) -> int:
        return len(self.faces)

    def scaled(self, factor: float) -> Scan:
        """The same surface with every coordinate multiplied by `factor`; itself where the factor is 1."""
        if factor == 1.0:
            return self
        return Scan(self.vertices * factor, self.faces, self.vertex_rgb)

    def part(self, faces: Faces) -> Scan:
        """Some of its facets, (k, 3) int32, with their corners alone, in the order they had."""
        used = np.zeros(self.n_vertices, dtype=bool)
        used[faces.ravel()] = True
        number = np.cumsum(used, dtype=np.int32) - np.int32(1)
        rgb = None if self.vertex_rgb is None else self.vertex_rgb[used]
        return Scan(self.vertices[used], number[faces], rgb)

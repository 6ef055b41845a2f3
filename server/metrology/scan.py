"""A surface scan in memory, as every measure sees it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Faces = NDArray[np.int32]


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

"""The positive of a denture: its impression side cut off at the border and turned, so that it stands for the jaw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.scan import Scan
from server.metrology.topology import Topology, topology_of

Mask = NDArray[np.bool_]
Ints = NDArray[np.int64]

LEAST_PIECE_MM2 = 5.0
"""Loose pieces of the impression side smaller than this are left out."""


@dataclass(frozen=True, slots=True)
class Positive:
    """scan: wound so that its outside is where the tissue's would be. facets: (k,) which of the denture's they are."""

    scan: Scan
    facets: Ints


def positive_of(topology: Topology, is_impression: Mask) -> Positive:
    """The positive of a denture wound outward. is_impression: (m,) by facet. Raises ValueError where nothing is left."""
    chosen = np.flatnonzero(is_impression)
    if len(chosen) == 0:
        raise ValueError("no facet belongs to the impression side")
    scan = topology.scan
    parts = topology_of(Scan(scan.vertices, scan.faces[chosen]))
    kept = parts.shell_areas_mm2 >= min(LEAST_PIECE_MM2, float(parts.shell_areas_mm2[0]))
    chosen = chosen[kept[parts.face_shell]]
    return Positive(scan.part(scan.faces[chosen][:, ::-1]), chosen)

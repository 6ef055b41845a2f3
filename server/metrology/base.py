"""The base that the model of a jaw stands on, where a scan was closed by one to be printed: a wall and a flat floor.

A base is no part of the mouth. Its floor is a plane that has all of the model on one side and holds a telling share of the
surface; no jaw and no denture has one by itself. Its wall stands upright on it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from server.metrology.arch import occlusal_direction
from server.metrology.topology import Topology

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NORMAL_CELL, FLOORS_TRIED, FEW = 0.25, 12, 20_000
FLOOR_COS, FLOOR_DEPTH_MM = 0.985, 0.3
LEAST_FLOOR = 0.05
"""Share of its surface that a closed model has at least in the plane it stands on."""
WALL_COS = 0.2
"""A wall is upright to twelve degrees."""


def away_from_base(topology: Topology) -> Floats | None:
    """(3,) unit: away from the floor that a model stands on; None where it stands on none. Facets wound with the outside
    out."""
    down = _floor(topology)[0]
    return None if down is None else -down


def base_facets(topology: Topology) -> Bools | None:
    """(m,) which facets are floor, or wall that stands on it; None where there is no base. What is as upright as the wall
    and joins it, such as the steep outer side of a ridge, counts as wall."""
    down, is_floor = _floor(topology)
    if down is None:
        return None
    is_upright = is_floor | (np.abs(topology.normals @ down) < WALL_COS)
    half_edges = np.flatnonzero(topology.twin >= 0)
    one, other = half_edges // 3, topology.twin[half_edges] // 3
    joined = is_upright[one] & is_upright[other]
    m = len(is_upright)
    links = coo_matrix((np.ones(int(joined.sum()), np.int8), (one[joined], other[joined])), shape=(m, m))
    label = connected_components(links, directed=False)[1]
    standing = np.zeros(int(label.max()) + 1, dtype=bool)
    standing[label[is_floor]] = True
    return np.asarray(is_upright & standing[label])


def _floor(topology: Topology) -> tuple[Floats | None, Bools]:
    """The direction in which a floor faces, and its facets; None and none where there is no floor."""
    normals, areas, scan = topology.normals, topology.areas_mm2, topology.scan
    if occlusal_direction(normals, areas) is not None:  # open: it faces somewhere on the whole
        return None, np.zeros(len(areas), dtype=bool)
    best, down, is_floor = LEAST_FLOOR * float(areas.sum()), None, np.zeros(len(areas), dtype=bool)
    for toward in _likely(topology):
        lowest_mm = float((scan.vertices @ toward).max()) - FLOOR_DEPTH_MM
        flat = np.flatnonzero(normals @ toward > FLOOR_COS)
        low = scan.vertices[scan.faces[flat]].mean(axis=1) @ toward > lowest_mm
        area_mm2 = float(areas[flat[low]].sum())
        if area_mm2 > best:
            best, down, is_floor = area_mm2, toward, np.zeros(len(areas), dtype=bool)
            is_floor[flat[low]] = True
    return down, is_floor


def _likely(topology: Topology) -> Iterator[Floats]:
    """Directions of what may be a floor, by some of the facets: much of the surface faces there, and some of that lies lowest."""
    scan, few = topology.scan, slice(None, None, max(1, len(topology.areas_mm2) // FEW))
    normals, areas = topology.normals[few], topology.areas_mm2[few]
    centres = scan.vertices[scan.faces[few]].mean(axis=1)
    cells, cell = np.unique(
        np.round(normals / NORMAL_CELL).astype(np.int64) @ (1, 16, 256), return_inverse=True
    )
    for k in np.argsort(-np.bincount(cell, areas, len(cells)))[:FLOORS_TRIED]:
        toward = areas[cell == k] @ normals[cell == k]
        toward = toward / max(float(np.linalg.norm(toward)), 1e-12)
        height = centres @ toward
        low = (height > height.max() - 2.0 * FLOOR_DEPTH_MM) & (normals @ toward > FLOOR_COS)
        if float(areas[low].sum()) > 0.5 * LEAST_FLOOR * float(areas.sum()):
            yield np.asarray(toward)

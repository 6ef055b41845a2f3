"""A preview of a scan: as many facets as it takes to lie on it, as few bytes as that allows."""

from __future__ import annotations

import gzip
from dataclasses import dataclass

import fast_simplification
import numpy as np
from numpy.typing import NDArray

from server.metrology.bvh import BoxTree
from server.metrology.preview.coding import Rounded, coded, rounded
from server.metrology.scan import Scan

REVISION = 1
"""Of the method: another one draws every record anew."""
STEP_MM = 0.01
DEVIATION_MM = 0.05
"""What 99 % of the scan's points may lie off the preview."""
MOST_BYTES = 150_000
FACETS = (40_000, 60_000, 78_000)
"""Tried in turn, until one lies on the scan."""
PROBES = 20_000
LEVEL = 9


@dataclass(frozen=True, slots=True)
class Preview:
    """data: gzip over `coding`, as it is sent. deviation_mm: 99 % of the scan's points are no farther off it, by exact closest
    points on it; more than DEVIATION_MM where that did not go into MOST_BYTES."""

    data: bytes
    n_faces: int
    deviation_mm: float


class NoPreview(Exception):
    """The surface cannot be made small enough; the words say why."""


def preview_of(scan: Scan) -> Preview:
    """The smallest preview tried that lies on the scan, in its frame, mm; else the nearest to it that is small enough.

    The simplifier may stop short of what is asked for without a word, and it eats into borders; so what it returns is
    counted, weighed and held against the scan. The same scan gives the same bytes. Colours are left out.

    Raises: NoPreview.
    """
    best: Preview | None = None
    for most in FACETS:
        made = _drawn(scan, most)
        if made is None or len(made.data) > MOST_BYTES:
            break
        if best is None or made.deviation_mm < best.deviation_mm:
            best = made
        if made.deviation_mm <= DEVIATION_MM or scan.n_faces <= most:
            break
    if best is None:
        raise NoPreview("the surface cannot be thinned enough to be drawn here")
    return best


def _drawn(scan: Scan, most: int) -> Preview | None:
    """A preview of about so many facets; None where the surface does not let itself be drawn on the grid."""
    try:
        surface = rounded(*_thinned(scan, most), STEP_MM)
    except ValueError:
        return None
    deviation_mm = deviation(scan, surface)
    data = gzip.compress(coded(surface, deviation_mm), LEVEL, mtime=0)
    return Preview(data, len(surface.faces), deviation_mm)


def _thinned(scan: Scan, most: int) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Vertices and faces, of about so many facets at the most where the simplifier gets there."""
    if scan.n_faces <= most:
        return scan.vertices, scan.faces
    middle = scan.vertices.mean(axis=0)
    near = (scan.vertices - middle).astype(np.float32)
    vertices, faces = fast_simplification.simplify(near, scan.faces, target_count=most)
    return np.asarray(vertices, dtype=np.float64) + middle, np.asarray(faces, dtype=np.int32)


def deviation(scan: Scan, surface: Rounded) -> float:
    """How far 99 % of the scan's points lie off a preview at most, mm, from PROBES of them evenly taken."""
    used = np.unique(scan.faces)
    probes = scan.vertices[used[:: max(1, len(used) // PROBES)]]
    off = BoxTree(Scan(surface.vertices, surface.faces)).nearest(probes).distance_mm
    return float(np.quantile(off, 0.99))

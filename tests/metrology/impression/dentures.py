"""Dentures whose sides are known: a scanned phantom, and a block over a sheet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import trimesh
from numpy.typing import NDArray

from seed_data.phantoms.mouth import Mouth
from seed_data.phantoms.phantom import draft_work
from seed_data.phantoms.scanner import scan
from server.metrology.bvh import BoxTree
from server.metrology.registration.surface import Surface
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from server.records.teeth import Arch

Mask = NDArray[np.bool_]
SEEDS = {Arch.LOWER: 3, Arch.UPPER: 20}


@dataclass(frozen=True)
class KnownDenture:
    """surface: the denture in the joint frame; is_impression: (m,) the truth, by the middle of each facet: which of the two
    surfaces that bound the solid it lies on."""

    mouth: Mouth
    surface: Surface
    is_impression: Mask


@cache
def phantom_denture(arch: Arch, detail: float = 0.6) -> KnownDenture:
    """A denture of the light mouth of that arch, scanned all round."""
    work = draft_work(SEEDS[arch], None, arch, random_frames=False, detail=detail, noise_um=None)
    draft = scan(work.seed, work.subjects["denture"], work.settings["denture"])
    made = Scan(draft.vertices_mm, draft.faces.astype(np.int32))
    solid = work.mouth.denture
    middles = draft.true_mm[draft.faces].mean(axis=1)
    truth = np.asarray(-solid.jaw.distance(middles) >= solid.outer(middles))
    return KnownDenture(work.mouth, surface_of(made), truth)


def surface_of(made: Scan) -> Surface:
    return Surface(topology_of(made), BoxTree(made))


def overlap(a: Mask, b: Mask, areas: NDArray[np.float64]) -> float:
    """Area in both over area in either."""
    return float(areas[a & b].sum() / areas[a | b].sum())


def block(*, size_mm: tuple[float, float, float] = (30.0, 20.0, 6.0)) -> tuple[Scan, Mask]:
    """A block under a wavy top, its underside flat, and which facets are of the underside."""
    made = trimesh.creation.box(extents=size_mm).subdivide_to_size(0.7)
    made.merge_vertices()
    points, faces = np.array(made.vertices), np.array(made.faces, dtype=np.int32)
    low, high = -0.5 * size_mm[2], 0.5 * size_mm[2]
    is_under = np.isclose(points[faces][:, :, 2], low).all(axis=1)
    top = np.isclose(points[:, 2], high)
    points[top, 2] += 1.5 * np.sin(1.1 * points[top, 0]) * np.cos(0.9 * points[top, 1])
    return Scan(points, faces), is_under

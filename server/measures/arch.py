"""How a jaw lies, read from the surface of its scan alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from server.measures.bench import RecordBench
from server.measures.bodies import BodiesResult, BodySeen
from server.metrology.arch import ArchFrame, arch_frame, occlusal_direction
from server.metrology.base import away_from_base
from server.metrology.rigid import apply, inverse
from server.metrology.topology import Topology

BESIDE_MM = 0.8
"""Points this near to a body's hull are left out when the arch is read."""
FAR_MM = 30.0
"""Nothing so far beyond a body's ends is cut away with it, such as what hangs over it in a distorted scan."""

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def arch_without_bodies(record: RecordBench, found: BodiesResult) -> ArchFrame | None:
    """How a jaw with scan bodies lies, in the record's frame: their tops would pass for a crest, so they are left out. None
    where the scan shows no arch."""
    occlusal = _occlusal(record.topology, is_turned=found.is_turned)
    if occlusal is None:
        return None
    return arch_frame(record.scan.vertices[is_beside_bodies(record, found)], occlusal)


def _occlusal(topology: Topology, *, is_turned: bool) -> Floats | None:
    """Where a scan faces on the whole; of one that was closed by a base, away from that."""
    outward = replace(topology, normals=-topology.normals) if is_turned else topology
    open_way = occlusal_direction(outward.normals, outward.areas_mm2)
    return away_from_base(outward) if open_way is None else open_way


def is_beside_bodies(record: RecordBench, found: BodiesResult) -> Bools:
    """(n,) which vertices of a jaw scan belong to none of its scan bodies."""
    points = record.scan.vertices
    kinds = {kind.id: kind for kind in record.reference_bodies}
    keep = np.ones(len(points), dtype=bool)
    for seen in found.bodies:
        kind = kinds[seen.body]
        off = points - np.array(seen.seat_mm)
        near = np.flatnonzero(
            np.einsum("ij,ij->i", off, off) < (kind.height_mm + kind.reach_mm + FAR_MM) ** 2
        )
        q = apply(inverse(pose_of(seen)), points[near])
        keep[near] &= (np.hypot(q[:, 0], q[:, 1]) > kind.reach_mm + BESIDE_MM) | (q[:, 2] < 0.0)
    return keep


def plain_arch(record: RecordBench) -> ArchFrame | None:
    """How a jaw without scan bodies lies, in the record's frame, whichever way its facets are wound. None where the scan
    shows no arch. Raises NotMeasured where the scan cannot be used."""
    topology = record.outward.topology
    occlusal = _occlusal(topology, is_turned=False)
    return None if occlusal is None else arch_frame(topology.scan.vertices, occlusal)


def pose_of(seen: BodySeen) -> Floats:
    """T_record_body (4, 4): seat at the origin, axis its z, clocking its x."""
    T = np.eye(4)
    T[:3, 2], T[:3, 3] = seen.axis, seen.seat_mm
    x = np.array(seen.clock) - np.dot(seen.clock, seen.axis) * np.array(seen.axis)
    T[:3, 0] = x / np.linalg.norm(x)
    T[:3, 1] = np.cross(T[:3, 2], T[:3, 0])
    return T

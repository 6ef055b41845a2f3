"""`denture.imprints`: the scan bodies that stood in the mouth when the denture was relined, found by their imprints.

An imprint is a body's surface seen from inside, so in the positive it is the body's own, and the search is that in a jaw.
Places found so serve tissue and a luted provisional, never a rigid definitive.
"""

from __future__ import annotations

import numpy as np

from server.measures.bench import RecordBench
from server.measures.bodies import MOST_EXPECTED, BodySeen, body_seen
from server.measures.measure import RecordMeasure, Result
from server.measures.sides import SIDES, positive_in
from server.metrology.bodies.finding import Surface, find_bodies
from server.metrology.constellation.poses import BALL_95
from server.metrology.topology import topology_of
from server.records.roles import Role

CARRIED_MM = 0.015
"""Standard deviation per direction by which an imprint lies off, whatever its fit: resin shrinks, an all-round scan is out by
47-98 µm over its length (doi 10.1016/j.prosdent.2024.01.011), most of it bend. Our own proposal."""


class ImprintsResult(Result):
    """bodies: as seen in the positive, places in the denture's file frame, mm; the one that explains most first. catalogue:
    the kinds searched for."""

    bodies: tuple[BodySeen, ...]
    catalogue: tuple[str, ...]


def _measure(bench: RecordBench) -> ImprintsResult:
    positive = positive_in(bench).scan
    kinds = bench.reference_bodies
    topology = topology_of(positive)
    surface = Surface(positive.vertices, topology.vertex_normals, topology.vertex_areas_mm2, positive.faces)
    by_id = {kind.id: kind for kind in kinds}
    found = [
        body_seen(body, by_id[body.body], surface, ()) for body in find_bodies(surface, kinds, MOST_EXPECTED)
    ]
    return ImprintsResult(bodies=tuple(_widened(seen) for seen in found), catalogue=tuple(sorted(by_id)))


def _widened(seen: BodySeen) -> BodySeen:
    """With what no fit to a denture can see."""
    return seen.model_copy(
        update={"u95_position_mm": float(np.hypot(seen.u95_position_mm, BALL_95 * CARRIED_MM))}
    )


IMPRINTS = RecordMeasure(
    name="denture.imprints",
    revision=2,
    result=ImprintsResult,
    roles=frozenset({Role.DENTURE}),
    compute=_measure,
    needs=(SIDES,),
    uses_bodies=True,
)

"""A part of the surface lies there twice, slightly apart.

Why: where the scanner lost its place and stitched beside it, one of the two layers is wrong, and nobody can tell which.
How: from each facet a ray along its normal, ahead and behind; the first surface met within 0.05-0.8 mm that faces the
same way is a second layer. Area of one layer, from sampled facets.
Not seen: layers closer than 0.05 mm or further than 0.8 mm apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.layers import LAYERS
from server.records.roles import MESH_ROLES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    layers = record.result(LAYERS)
    if layers.double_area_mm2 == 0.0:
        yield Observation("Nowhere does the surface lie double.", value=0.0)
        return
    yield Observation(
        f"{layers.double_area_mm2:.1f} mm² of the {record.role.words} lie double, {layers.gap_mm:.2f} mm apart.",
        value=layers.double_area_mm2,
        u95=layers.double_area_u95_mm2,
        where=at(record, layers.places_mm),
    )


_SOURCE = "Common practice; the numbers are our own proposal."

RULE = Rule(
    id="surface/double-layer",
    revision=1,
    title="The surface lies double",
    remedy="Delete the double part and scan it again in one pass, slowly and from the side where scanning began.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES,
    limits=MappingProxyType({VALUE: Limit(3.0, 30.0, "mm²", _SOURCE)}),
)

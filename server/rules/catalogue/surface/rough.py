"""The points scatter too much about a smooth surface.

Why: rough scans come of saliva, a dirty tip or too great a distance, and every fit to them is as much less sure.
How: at places spread over the scan the nearest 24 points are fitted by a quadric; one standard deviation of the
residuals, read where the surface is smooth.
Not seen: errors that bend whole regions; noise that the scanner has smoothed away together with detail.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.texture import TEXTURE
from server.records.roles import MESH_ROLES
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    texture = record.result(TEXTURE)
    if texture.scatter_mm is None:
        raise Lacking("the points lie too far apart to tell how rough the surface is")
    places = [texture.roughest_at_mm] if texture.roughest_at_mm else []
    yield Observation(
        f"The points of the {record.role.words} scatter by {texture.scatter_mm * 1000:.0f} µm about a smooth surface.",
        value=texture.scatter_mm,
        u95=texture.scatter_u95_mm or 0.0,
        where=at(record, places),
    )


_SOURCE = "Our own proposal, against a published noise of 5-13 µm RMS on a flat (PMC5549906)."

RULE = Rule(
    id="surface/rough",
    revision=1,
    title="The surface is rough",
    remedy="Dry the surface, clean the scanner's tip and scan this record again at its normal distance.",
    source="Noise of 5-13 µm RMS on a flat is published (PMC5549906); the limits are our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES,
    limits=MappingProxyType({VALUE: Limit(0.040, 0.080, "mm", _SOURCE)}),
)

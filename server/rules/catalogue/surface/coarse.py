"""The points of a scan lie too far apart.

Why: a bite contact, a margin or a scan body's flat that falls between the points is not in the scan.
How: median length of an edge over the whole scan.
Not seen: a scan that was reduced and refined again; how close the points lie on the scan bodies themselves.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.texture import TEXTURE
from server.records.roles import MESH_ROLES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import Observation, Rule

ELSEWHERE = "elsewhere"
"""Away from scan bodies; near them the spacing wants limits of its own."""


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    texture = record.result(TEXTURE)
    yield Observation(
        f"The points of the {record.role.words} lie {texture.spacing_median_mm:.2f} mm apart.",
        value=texture.spacing_median_mm,
        limit=ELSEWHERE,
    )


_SOURCE = "Our own proposal, against published mean edges of 0.23-0.26 mm (preprint 202604.0603)."

RULE = Rule(
    id="surface/coarse",
    revision=1,
    title="The scan is coarse",
    remedy="Scan again with the high-resolution setting, or export without reducing the number of triangles.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES,
    limits=MappingProxyType({ELSEWHERE: Limit(0.60, 1.20, "mm", _SOURCE)}),
)

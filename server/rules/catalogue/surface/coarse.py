"""The points of a scan lie too far apart.

Why: a bite contact, a margin or a scan body's flat that falls between the points is not in the scan.
How: median length of an edge over the whole scan; in a jaw scan also on and about each scan body found, the coarsest.
Not seen: a scan that was reduced and refined again.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.texture import TEXTURE
from server.records.roles import MESH_ROLES, Role
from server.rules.body_evidence import bodies_in
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import Observation, Rule

ELSEWHERE, AT_BODIES = "elsewhere", "at bodies"


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Observation]:
    texture = record.result(TEXTURE)
    yield Observation(
        f"The points of the {record.role.words} lie {texture.spacing_median_mm:.2f} mm apart.",
        value=texture.spacing_median_mm,
        limit=ELSEWHERE,
    )
    if record.role is Role.JAW:
        yield from _at_bodies(record, case)


def _at_bodies(record: RecordEvidence, case: CaseEvidence) -> Iterator[Observation]:
    """Of the scan body with the widest spacing, where any was found; that none was is told by the rules of bodies."""
    try:
        found = list(bodies_in(record, case))
    except Lacking:
        return
    if found:
        worst = max(found, key=lambda body: body.seen.spacing_mm)
        yield Observation(
            f"On {worst.words} the points lie {worst.seen.spacing_mm:.2f} mm apart.",
            value=worst.seen.spacing_mm,
            limit=AT_BODIES,
            where=(worst.place,),
            site_index=worst.sites,
        )


_SOURCE = "Our own proposal, against published mean edges of 0.23-0.26 mm (preprint 202604.0603)."

RULE = Rule(
    id="surface/coarse",
    revision=2,
    title="The scan is coarse",
    remedy="Scan again with the high-resolution setting, or export without reducing the number of triangles.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES,
    limits=MappingProxyType(
        {ELSEWHERE: Limit(0.60, 1.20, "mm", _SOURCE), AT_BODIES: Limit(0.40, 0.70, "mm", _SOURCE)}
    ),
)

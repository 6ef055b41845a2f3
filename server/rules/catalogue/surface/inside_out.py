"""A scan, or one of its parts, shows its back.

Why: signs of distances, offsets and fills follow the side a surface faces; a scan inside out is designed inside out.
How: per patch of consistently wound facets, the share of rays blocked behind less that in front; negative where the
normals face away from the scanner. What is turned with certainty is turned on a copy and noted; else the lab looks.
Not seen: an almost flat patch, of which nothing tells the two sides apart.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.facing import FACING
from server.records.roles import MESH_ROLES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, Rule, at

LOOK_SHARE = 0.1
"""A patch whose side is not certain is mentioned only if it is at least this share of the scan."""


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    facing = record.result(FACING)
    least = LOOK_SHARE * facing.judged_area_mm2
    away = [p for p in facing.patches if p.side == "away" and (p.is_certain or p.area_mm2 >= least)]
    if not away:
        yield Observation(f"The {record.role.words} faces the scanner.", broken=False)
        return
    area = sum(patch.area_mm2 for patch in away)
    whole = area > 0.9 * facing.judged_area_mm2
    what = f"The {record.role.words} is" if whole else f"{area:.0f} mm² of the {record.role.words} are"
    is_certain = all(patch.is_certain for patch in away)
    says = f"{what} inside out" + ("; turned on a copy." if is_certain else " as far as can be told.")
    yield Observation(
        says,
        broken=True,
        level=Level.NOTE if is_certain else Level.LOOK,
        where=at(record, [patch.centre_mm for patch in away[:5]]),
    )


RULE = Rule(
    id="surface/inside-out",
    revision=1,
    title="The scan is inside out",
    remedy="Nothing to redo: the lab turns it. If the scanner's own view also shows its back, export it again.",
    source="Common practice; the method was tried on 61 scans of arches, all told right.",
    of_record=_observe,
    roles=MESH_ROLES,
    level=Level.LOOK,
)

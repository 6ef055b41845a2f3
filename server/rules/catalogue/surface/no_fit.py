"""A record does not lie on the others of its case.

Why: a scan of another patient, another denture or another jaw cannot be designed with; what lies in several ways alike
would be placed by guess.
How: each record is laid on those that show some of the same surface, in the frame it came in or without a start, and must
agree with the place it overlaps. Everything goes into the frame of the jaw scan, by as many steps as it takes.
Of a denture that lies on the jaw in no placing denture/impression-mismatch speaks, of a bite scan beside an opposing jaw
bite/scan-disagrees.
Not seen: how well it agrees, of which other rules speak; a foreign record of which no other shows anything.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.facing import FACING
from server.measures.impression import IMPRESSION
from server.measures.relation import TOLD, Came
from server.records.roles import MESH_ROLES, Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.frame_evidence import joint_of
from server.rules.limit import Level
from server.rules.rule import Observation, Rule


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Observation]:
    record.result(FACING)
    joint = joint_of(case)
    placed = joint.of(record.file)
    if placed is None:
        raise Lacking("it was not compared with the others")
    roles = {r.file: r.role for r in case.records}
    root = roles[joint.root].words
    if record.file == joint.root:
        yield Observation(f"The other records are brought to the {root}.", broken=False)
        return
    if placed.u95_mm is not None:
        how = "in the frame it came in" if placed.is_delivered else "by its surface"
        says = f"It lies in the frame of the {root} {how}, within {placed.u95_mm:.2f} mm."
        yield Observation(says, broken=False)
        return
    tried = [link for link in joint.links if record.file in (link.moving, link.fixed)]
    if any(link.came is Came.MIRRORED for link in tried):
        raise Lacking(placed.says, because="surface/mirrored")
    if not tried or all(link.came in TOLD for link in tried):
        raise Lacking(placed.says)
    if record.role is Role.DENTURE and _is_told_by_impression(case):
        raise Lacking(placed.says, because="denture/impression-mismatch")
    if record.role is Role.BITE and any(roles[link.fixed] is Role.OPPOSING for link in tried):
        raise Lacking(placed.says, because="bite/scan-disagrees")
    yield Observation(f"The {record.role.words} could not be placed: {placed.says}.", broken=True)


def _is_told_by_impression(case: CaseEvidence) -> bool:
    """Whether the fit of the denture's impression side says it: that it lies on the jaw in no placing, or how far off."""
    told = case.result_or_none(IMPRESSION)
    return told is not None and (told.came is Came.NOT or told.p95_mm is not None)


RULE = Rule(
    id="surface/no-fit",
    revision=2,
    title="The record does not go with the others",
    remedy="Make sure that the file is of this patient, this jaw and this denture; if it is, scan it again so that it shows "
    "more of what the other scans show.",
    source="Common practice; our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES - {Role.JAW},
    level=Level.LOOK,
)

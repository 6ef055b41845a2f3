"""A scan shows the mouth in mirror image.

Why: a bridge made to a mirrored jaw fits no patient; a mirrored record cannot be brought together with the others.
How: records of one mouth are laid on each other without a start, as they came and, where that fails, mirrored. Those that
fit only mirrored are of two hands, and so are jaw scan and implant positions where these go together only mirrored. The
hand of most records is taken for the mouth's; where as many speak for either, all of them are named.
Not seen: all records mirrored alike; a record that no other shows anything of.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.roles import MESH_ROLES, Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.frame_evidence import hands_of
from server.rules.limit import Level
from server.rules.rule import Observation, Rule
from server.rules.wording import listed


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Observation]:
    hands = hands_of(case)
    if record.file in hands.mirrored:
        says = f"The {record.role.words} fits the other records only as a mirror image."
        yield Observation(says, broken=True)
        return
    for group in hands.torn:
        for own, others in (group, group[::-1]):
            if record.file not in own:
                continue
            roles = {r.file: r.role for r in case.records}
            if all(roles[other] is Role.MARKERS for other in others):
                raise Lacking("jaw scan and positions are of two hands", because="markers/mirrored")
            words = listed(list(dict.fromkeys(roles[other].words for other in others)))
            says = f"The {record.role.words} and the {words} fit only as mirror images of each other."
            yield Observation(says, broken=True, other_records=others)
            return
    if record.file not in hands.agreed:
        raise Lacking("no other record was found to show the same, so its hand could not be told")
    yield Observation(f"The {record.role.words} has the hand of the other records.", broken=False)


RULE = Rule(
    id="surface/mirrored",
    revision=1,
    title="The scan is a mirror image",
    remedy="Export the scan again without mirroring; make sure that upper and lower jaw were not exchanged in the scanner.",
    source="Geometry: no rigid motion turns a surface into its mirror image.",
    of_record=_observe,
    roles=MESH_ROLES,
    level=Level.RETURN,
)

"""Nothing says how the jaws meet.

Why: without it neither the height nor the place of the opposing teeth is known, and no bridge can be designed to bite.
How: the opposing jaw is carried by the bite scans; or the files' own frame is a bite: the jaws look at each other in it and
lie inside each other hardly anywhere. Two arches that a program has turned to one direction are no bite.
Not seen: whether the patient closed as usual when it was recorded; only the mouth shows that.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.facing import FACING
from server.measures.frames import JOINT, JointResult
from server.measures.relation import TOLD
from server.metrology.bite.meeting import Jaws
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.limit import Level
from server.rules.rule import DoesNotApply, Observation, Rule, Seen


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    entries = {
        role: [e.file for e in case.form.records if e.role is role] for role in (Role.OPPOSING, Role.BITE)
    }
    if not entries[Role.OPPOSING]:
        yield DoesNotApply("No scan of the opposing jaw came, so there is nothing to relate.")
        return
    files = (*entries[Role.OPPOSING], *entries[Role.BITE])
    joint = _joint(case, entries[Role.BITE])
    placed = joint.of(entries[Role.OPPOSING][0]) if joint else None
    if placed is not None and placed.T_root_record:
        how = "by the frame the files came in" if placed.is_delivered else "by the bite scans"
        yield Observation(f"How the jaws meet is given {how}.", broken=False, other_records=files)
        return
    bites = case.of_roles([Role.BITE])
    says = (
        _unfit(bites, joint, case) if joint is not None and bites else _WORDS[joint.jaws if joint else None]
    )
    yield Observation(says, broken=True, other_records=files)


def _joint(case: CaseEvidence, bites: list[str]) -> JointResult | None:
    """The joint frame; None where no two records could be laid on each other and no bite scan came."""
    if JOINT.name in case.measurements:
        for record in case.of_roles([Role.OPPOSING]):
            record.result(FACING)
        return case.result(JOINT)
    if bites:
        raise Lacking("the bite scans were not compared with the jaws")
    return None


def _unfit(bites: tuple[RecordEvidence, ...], joint: JointResult, case: CaseEvidence) -> str:
    """Why the bite scans relate nothing, where no other rule says it. Raises Lacking where one does: a bite scan that fits
    one jaw only, or none."""
    on_opposing = {f for bite in bites for f in _lies_on(bite, joint) if _role(f, case) is Role.OPPOSING}
    if not on_opposing and len(bites) > 1 and any(_lies_on(bite, joint) for bite in bites):
        return "The opposing jaw lies on none of the bite scans: it shows other teeth than they do."
    if on_opposing and not case.of_roles([Role.DENTURE]):
        return "The bite scans show teeth of the working jaw that no scan shows, so nothing relates the jaws."
    raise Lacking("no bite scan lies on both jaws", because="bite/scan-disagrees")


def _role(file: str, case: CaseEvidence) -> Role | None:
    return next((r.role for r in case.records if r.file == file), None)


def _lies_on(bite: RecordEvidence, joint: JointResult) -> list[str]:
    return [link.fixed for link in joint.links if link.moving == bite.file and link.came in TOLD]


_WORDS = {
    None: "Neither a bite scan came nor do the jaws meet in the frame of their files.",
    Jaws.APART: "No bite scan came, and in the frame of their files the jaws do not meet.",
    Jaws.INSIDE: "No bite scan came, and in the frame of their files the jaws stand inside each other: that is no bite.",
    Jaws.SAME_WAY: "No bite scan came, and in the frame of their files both jaws look the same way: they were turned to "
    "one direction, that is no bite.",
    Jaws.MEET: "Neither a bite scan came nor do the jaws meet in the frame of their files.",
}

RULE = Rule(
    id="bite/missing",
    revision=1,
    title="No record of the bite",
    remedy="Let the patient close with the denture in place, check that it bites as it should, and scan the bite on both "
    "sides; or export both jaws once more in the frame in which they were scanned.",
    source="Common practice.",
    of_case=_observe,
    level=Level.RETURN,
)

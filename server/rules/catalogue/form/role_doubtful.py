"""A record looks like something else than it is filed as.

Why: two files changed about are measured as what they are not, and the lab would design against the wrong jaw.
How: the shape alone says what a record looks like: nothing but scan bodies, closed all round, two jaws closed, an arch with
bodies, with teeth, or bare. Doubted is a role that does not show itself like that. It is never changed.
Not seen: which of two jaws it is where both have teeth, or neither has; whose record it is.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.role import ROLE, RoleResult
from server.metrology.likeness.look import Look
from server.records.roles import MESH_ROLES, Role
from server.rules.body_evidence import is_table
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Level
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.wording import listed

_SHOWS = {
    Look.BODIES_ALONE: "it shows scan bodies and nothing else",
    Look.CLOSED_ALL_ROUND: "it is closed all round",
    Look.JAWS_CLOSED: "it shows two jaws closed, from the side",
    Look.ARCH_WITH_POSTS: "it shows scan bodies on an arch",
    Look.ARCH_WITH_TEETH: "it shows teeth",
    Look.BARE_ARCH: "it shows an arch without teeth or scan bodies",
    Look.UNTOLD: "it shows too little to tell",
}


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Seen]:
    if is_table(record):
        yield DoesNotApply("The implant positions came as a table, not as a surface.")
        return
    likely = record.result(ROLE)
    if record.role in likely.among or not likely.is_look_sure:
        yield Observation(_said(likely), broken=False)
        return
    says = f"This file is filed as {record.role.words}, but looks like the {_roles(likely)}: {_SHOWS[likely.look]}."
    yield Observation(says, broken=True)


def _said(likely: RoleResult) -> str:
    if not likely.is_look_sure or likely.look is Look.UNTOLD:
        return "What it is cannot be told from its shape alone."
    return f"It looks like the {_roles(likely)}: {_SHOWS[likely.look]}."


def _roles(likely: RoleResult) -> str:
    return listed([role.words for role in likely.among], "or the")


RULE = Rule(
    id="form/role-doubtful",
    revision=1,
    title="The file is perhaps not what it is filed as",
    remedy="Look at the file: if it is filed in the wrong place, say what it really is; if it is right, leave it and tell the "
    "lab.",
    source="Common practice; our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES | {Role.MARKERS},
    level=Level.LOOK,
)

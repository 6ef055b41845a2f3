"""Two records are given where only one can count, or more bite scans than can be told apart.

Why: one of the two would be used and the other lost without a word; the lab must know which is meant.
How: records are counted by role. One record each of jaw, tissue, denture, opposing jaw and implant
positions, up to three bite scans; any number of photos and of scans from before. One finding for each role
given too often.
Not seen: whether the two are the same surface (file/same-surface).
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.records.roles import Role
from server.rules.evidence import CaseEvidence
from server.rules.limit import Limit
from server.rules.rule import Observation, Rule

_ONE_COUNTS = (Role.JAW, Role.TISSUE, Role.DENTURE, Role.OPPOSING, Role.MARKERS)


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    for role in (*_ONE_COUNTS, Role.BITE):
        files = tuple(entry.file for entry in case.form.records if entry.role is role)
        if files:
            says = f"The case holds {len(files)} files as {role.words}."
            limit = "bite" if role is Role.BITE else "records"
            yield Observation(says, value=float(len(files)), limit=limit, other_records=files)


_SOURCE = (
    "Our own proposal: one record of each kind governs a design; bite scans are taken up to three times."
)

RULE = Rule(
    id="form/role-repeated",
    revision=1,
    title="One kind of record is given twice",
    remedy="Keep the file that counts and remove the other, or give it the role it really has.",
    source="Common practice.",
    of_case=_observe,
    limits=MappingProxyType(
        {"records": Limit.look_only(1.0, "files", _SOURCE), "bite": Limit.look_only(3.0, "files", _SOURCE)}
    ),
)

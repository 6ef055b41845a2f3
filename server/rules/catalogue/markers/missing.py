"""No implant positions from photogrammetry came with the case.

Why: an intraoral scan of a whole arch is out by 24-99 µm and 0.28-0.78° with implants, lowest where it
began and highest on the far side; without a second record nothing independent has checked its span.
How: whether the case holds a record of that role.
Not seen: whether the positions are right; that takes both records.
Source: doi 10.11607/ijp.7332; PMC11636004; Univ. Liège orbi 2268/345048; Sci Rep 2021 PMC7844289.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.roles import Role
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    files = tuple(entry.file for entry in case.form.records if entry.role is Role.MARKERS)
    if files:
        yield Observation("Implant positions came with the case.", broken=False, other_records=files)
    else:
        says = "No implant positions came: nothing independent has checked the span of the jaw scan."
        yield Observation(says, broken=True)


RULE = Rule(
    id="markers/missing",
    revision=1,
    title="Implant positions are missing",
    remedy="Take the positions with photogrammetry before the bodies come off; without them verify with a "
    "jig or a try-in before anything rigid is made.",
    source="Measured performance of whole-arch scans (doi 10.11607/ijp.7332); the demand is common practice.",
    of_case=_observe,
    level=Level.LOOK,
    definitive_level=Level.RETURN,
)

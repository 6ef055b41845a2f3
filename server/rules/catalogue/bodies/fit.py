"""A scan body's surface does not lie on its reference body.

Why: a body scanned wet, moving, smoothed over or worn has another shape than the lab's; its position is then a guess.
How: root mean square of the distances between the scan's points on the body and the reference surface after the fit.
Points at edges, which scanners round, and points that are plainly not the body's do not count.
Not seen: an error that moves the whole body, as stitching does (markers/one-off, markers/span); a body that sits high.
A low residual does not prove a good scan: in 243 clinical scan bodies a good match did not foretell it.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.records.roles import Role
from server.rules.body_evidence import bodies_in, is_table
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule, Seen


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    if is_table(record):
        yield DoesNotApply("The implant positions came as a table, not as a surface.")
        return
    bodies = list(bodies_in(record, case))
    if not bodies:
        yield DoesNotApply("No scan body was found in it.")
    for body in bodies:
        rms = body.seen.rms_mm
        yield Observation(
            f"The surface of {body.words} lies {rms * 1000:.0f} µm (rms) off its reference body.",
            value=rms,
            u95=1.96 * rms / (2.0 * max(body.seen.n_points, 1)) ** 0.5,
            where=(body.place,),
            site_index=body.sites,
        )


_SOURCE = "Our own proposal, against a scatter of scanners of 5-13 µm on a flat (PMC5549906)."

RULE = Rule(
    id="bodies/fit",
    revision=2,
    title="A scan body does not have the shape of its reference",
    remedy="Dry and clean the scan body, check that it is the kind named in the form and not worn, and scan it again.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=frozenset({Role.JAW, Role.MARKERS}),
    limits=MappingProxyType({VALUE: Limit(0.040, 0.080, "mm", _SOURCE)}),
)

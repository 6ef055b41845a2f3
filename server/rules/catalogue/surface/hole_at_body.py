"""An opening in the jaw scan lies right beside a scan body.

Why: what is missing there is the body's foot or the tissue round it; programs that fill holes make a step of it.
How: openings other than the outer border whose rim comes within 1.5 mm of a scan body, by the diameter of the circle with
the area it takes to close each.
Not seen: an opening that was filled before export.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.records.roles import Role
from server.rules.body_evidence import bodies_in
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule, Seen, at


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    bodies = list(bodies_in(record, case))
    if not bodies:
        yield DoesNotApply("No scan body was found in it.")
        return
    openings = [(body, opening) for body in bodies for opening in body.seen.openings]
    for body, opening in openings:
        yield Observation(
            f"An opening {opening.diameter_mm:.1f} mm across lies beside {body.words}.",
            value=opening.diameter_mm,
            u95=opening.edge_mm,
            where=at(record, [opening.centre_mm]),
            site_index=body.sites,
        )
    if not openings:
        yield Observation("There is no opening beside a scan body.", value=0.0)


RULE = Rule(
    id="surface/hole-at-body",
    revision=1,
    title="A hole beside a scan body",
    remedy="Scan again round the foot of this scan body until the opening closes, before the body comes off.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=frozenset({Role.JAW}),
    limits=MappingProxyType({VALUE: Limit(1.0, 2.5, "mm", "Our own proposal.")}),
)

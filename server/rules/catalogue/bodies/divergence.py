"""Two implants lean so far from each other that one screwed bridge may not go on both.

Why: a rigid bridge goes on along one way; beyond what abutments and bases allow it does not go on at all.
How: the largest angle between the axes of two scan bodies, as they stand in the jaw scan. Where a body sits on an angled
abutment its axis has the abutment's angle in it already.
Not seen: which angles the lab's bases allow; the limits are for the common ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.rules.body_evidence import bodies_in, jaw_of, sites_of
from server.rules.evidence import CaseEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule, Seen


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    sites, jaw = sites_of(case), jaw_of(case)
    if not sites.pairs:
        yield DoesNotApply("Fewer than two scan bodies were found.")
        return
    bodies = {body.number: body for body in bodies_in(jaw, case)}
    widest = max(sites.pairs, key=lambda pair: pair.angle_deg)
    one, two = (bodies[k] for k in widest.numbers)
    yield Observation(
        f"The axes of {one.words} and {two.words} are {widest.angle_deg:.1f}° apart, the most of any two.",
        value=widest.angle_deg,
        u95=widest.u95_angle_deg,
        where=(one.place, two.place),
        site_index=tuple(sorted((*one.sites, *two.sites))),
        other_records=(jaw.file,),
    )


RULE = Rule(
    id="bodies/divergence",
    revision=1,
    title="Implants lean far from each other",
    remedy="Tell the lab before the bodies come off: another abutment angle may be needed at one of these sites.",
    source="Common practice; the numbers are our own proposal.",
    of_case=_observe,
    limits=MappingProxyType(
        {VALUE: Limit(40.0, 60.0, "°", "Our own proposal; the body catalogue may allow less.")}
    ),
)

"""A scan body was caught only in part.

Why: a body caught on one side is fitted from one side: 120° of the turn instead of 360° make its centre about five times
less certain across (derived for a cylinder), and a good match of the library does not show it.
How: the share of the reference body's area above the tissue that lies on the scan; the same for each eighth of the turn,
of which the worst counts; whether the index feature was caught well enough to know the turn about the axis.
Not seen: a gap that the scanner's software filled with a smooth surface; bodies/fit may show that.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.records.roles import Role
from server.rules.body_evidence import BodyAt, bodies_in, is_table
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Level, Limit, Sense
from server.rules.rule import DoesNotApply, Observation, Rule, Seen

SHARE, EIGHTH = "share", "eighth"
U95_RATIO = 0.02
"""Of a share: the edge of what was caught is known to about half a triangle."""


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    if is_table(record):
        yield DoesNotApply("The implant positions came as a table, not as a surface.")
        return
    bodies = list(bodies_in(record, case))
    if not bodies:
        yield DoesNotApply("No scan body was found in it.")
    for body in bodies:
        yield from _of_body(body)


def _of_body(body: BodyAt) -> Iterator[Observation]:
    share = body.seen.coverage_ratio
    says = f"Of {body.words} {100.0 * share:.0f} % of what stands above the tissue was caught."
    yield _seen(body, says, share, SHARE)
    eighths = [share for share in body.seen.by_eighth if share is not None]
    if eighths:
        worst = min(eighths)
        says = (
            f"On its weakest side (an eighth of the turn) {100.0 * worst:.0f} % of {body.words} was caught."
        )
        yield _seen(body, says, worst, EIGHTH)
    if body.seen.u95_clock_deg is None:
        says = f"The flat of {body.words} was not caught: how it is turned is not known."
        yield Observation(says, broken=True, level=Level.LOOK, where=(body.place,), site_index=body.sites)


def _seen(body: BodyAt, says: str, value: float, limit: str) -> Observation:
    return Observation(
        says, value=value, u95=U95_RATIO, limit=limit, where=(body.place,), site_index=body.sites
    )


_SOURCE = (
    "Our own proposal; no minimum is published. Derived rule: centre and axis by captured arc and length."
)

RULE = Rule(
    id="bodies/coverage",
    revision=2,
    title="A scan body was caught only in part",
    remedy="Dry the scan body and go round it once more with the tip, from the side named and from above, before it "
    "comes off.",
    source="Derived from the geometry of a cylinder; the numbers are our own proposal.",
    of_record=_observe,
    roles=frozenset({Role.JAW, Role.MARKERS}),
    limits=MappingProxyType(
        {
            SHARE: Limit(0.75, 0.50, "", _SOURCE, sense=Sense.LOWER),
            EIGHTH: Limit(0.40, 0.15, "", _SOURCE, sense=Sense.LOWER),
        }
    ),
)

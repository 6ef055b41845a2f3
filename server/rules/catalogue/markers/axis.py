"""An implant points another way in the jaw scan than in the implant positions.

Why: over a screw channel of 15 mm, 0.4° are 0.1 mm; a body that leans is not seated, or was caught in part.
How: after the rigid fit of all positions, the angle between each body's axis and that of its position, by
atan2(|u x v|, u . v); the largest.
Not seen: a turn about the axis.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.rules.evidence import CaseEvidence
from server.rules.limit import Limit, Standing
from server.rules.marker_evidence import body_of, matched
from server.rules.rule import VALUE, Observation, Rule
from server.rules.wording import sentence


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    told = matched(case)
    worst = max(told.pairs, key=lambda pair: pair.axis_deg)
    body = body_of(case, worst.body)
    yield Observation(
        f"{sentence(body.words)} points {worst.axis_deg:.2f}° off its position, the most of all.",
        value=worst.axis_deg,
        u95=worst.u95_axis_deg,
        where=(body.place,),
        site_index=body.sites,
        other_records=(told.jaw, told.record),
    )


_SOURCE = "Empirical: below 0.5° a complete-arch scan was called satisfactory (doi 10.11607/ijp.7332)."

RULE = Rule(
    id="markers/axis",
    revision=1,
    title="An implant points another way",
    remedy="Seat the scan body at this site again, tighten it, and take both records of it again.",
    source="Measured performance of both methods; the numbers are empirical.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(0.5, 1.0, "°", _SOURCE, Standing.LITERATURE)}),
)

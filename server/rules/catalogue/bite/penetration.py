"""One jaw stands inside the other.

Why: teeth cannot; the relation is wrong by as much, and a bridge made to it comes out too low.
How: in the joint frame, signed distances from the working surface to the opposing jaw, by exact closest points, only where
the two look at each other; the depth within which half a square millimetre lies. Area and volume in the same place are
given beside it. Scan bodies of a jaw scan do not count: they come off before the patient bites.
Not seen: depths of a few hundredths, which scans of touching teeth show of themselves (doi 10.3390/jcm12030996).
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.rules.bite_evidence import contact_of, on_working
from server.rules.evidence import CaseEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    told = contact_of(case)
    found = told.pressed
    depth = found.depth_mm.value
    says = "Neither jaw stands inside the other."
    if depth > 0.0 and found.region is not None:
        says = (
            f"The jaws stand inside each other by up to {depth:.2f} mm, deepest {found.region.words}; over "
            f"{found.area_mm2.value:.0f} mm², {found.volume_mm3.value:.1f} mm³ in all."
        )
    yield Observation(
        says,
        value=depth,
        u95=found.depth_mm.u95,
        where=on_working(told, found.at_mm) if depth > 0.0 else (),
        other_records=(told.working, told.opposing),
    )


_SOURCE = "Our own proposal; scans of touching teeth overlap by hundredths (doi 10.3390/jcm12030996)."

RULE = Rule(
    id="bite/penetration",
    revision=1,
    title="The jaws stand inside each other",
    remedy="Scan the bite again while the patient stays closed, with the teeth dry; if it stays so, scan the opposing jaw "
    "again where the place is marked.",
    source="Common practice; our own proposal.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(0.15, 0.40, "mm", _SOURCE)}),
)

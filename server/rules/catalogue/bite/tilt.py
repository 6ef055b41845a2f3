"""The bite stands wider on one side than on the other.

Why: the jaws were related with a tilt; a bridge made to it is high on one side.
How: the least gap at each tooth behind the canines, by common crown widths; left less right of each tooth that meets the
other jaw on both sides, and of these the median.
Of what is not known of the relation only that counts which leans to one side.
Not seen: a tilt from front to back; teeth that stand lower on one side by themselves.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.bite_regions import Region
from server.rules.bite_evidence import contact_of, no_teeth_to_meet, on_working
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, Seen


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    apart = no_teeth_to_meet(case)
    if apart is not None:
        yield apart
        return
    told = contact_of(case)
    if told.left_over_right_mm is None:
        raise Lacking("no back tooth comes near the other jaw on both sides alike")
    difference = told.left_over_right_mm
    wider = Region.LEFT if difference.value > 0.0 else Region.RIGHT
    yield Observation(
        f"{wider.words.capitalize()} the bite stands {abs(difference.value):.2f} mm wider than on the other side.",
        value=abs(difference.value),
        u95=difference.u95,
        where=on_working(told, told.of(wider).least_at_mm),
        other_records=(told.working, told.opposing),
    )


_SOURCE = "Our own proposal: gaps that differ by more than 0.2 mm suggest a tilt."

RULE = Rule(
    id="bite/tilt",
    revision=2,
    title="The bite leans to one side",
    remedy="Let the patient close on both sides at once, check with foil that both hold, and scan the bite again on both "
    "sides without opening in between.",
    source="Common practice; our own proposal.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(0.20, 0.50, "mm", _SOURCE)}),
)

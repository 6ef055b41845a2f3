"""The back teeth of one side do not meet.

Why: a bite recorded open gives a bridge that is too high, or one that carries on one side only.
How: in the joint frame, signed distances from the denture's outer side to the opposing jaw, by exact closest points, only
where the two look at each other; the least gap of each side behind the canines, the one within which half a square
millimetre lies, so that no single point decides.
Not seen: contacts that only the moving jaw makes; gaps under some 10 µm, which no scan resolves (an 8 µm foil may read as
light contact: Harper & Setchell 2002); teeth that are meant to stay out of contact.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.rules.bite_evidence import SIDES, TOUCHING_SOURCE, contact_of, no_teeth_to_meet, on_working
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level, Limit
from server.rules.rule import VALUE, Observation, Rule, Seen


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    apart = no_teeth_to_meet(case)
    if apart is not None:
        yield apart
        return
    told = contact_of(case)
    both = (told.working, told.opposing)
    for region in SIDES:
        seen = told.of(region)
        if seen.least_mm is None:
            says = f"{region.words.capitalize()} no tooth comes within 3 mm of the other jaw."
            yield Observation(says, broken=True, level=Level.LOOK, other_records=both)
            continue
        gap = seen.least_mm.value
        says = (
            f"{region.words.capitalize()} the least gap is {gap:.2f} mm."
            if gap > 0.0
            else (f"{region.words.capitalize()} the teeth meet.")
        )
        yield Observation(
            says,
            value=gap,
            u95=seen.least_mm.u95,
            where=on_working(told, seen.least_at_mm),
            other_records=both,
        )


RULE = Rule(
    id="bite/no-contact",
    revision=1,
    title="The back teeth do not meet",
    remedy="Check in the mouth with thin foil whether the back teeth hold on this side. If they do, scan the bite again while "
    "the patient stays closed; if not, adjust or reline the denture first.",
    source="Common practice; our own proposal.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(0.15, 0.50, "mm", TOUCHING_SOURCE)}),
)

"""The back teeth meet on one side only.

Why: what is recorded so rocks; the bridge would carry on one side.
How: on one side the least gap behind the canines counts as contact (within 0.1 mm); the value is that of the other side.
Not seen: whether the patient bites so by habit; contacts of the front teeth do not count.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.metrology.bite.closeness import CONTACT_MM
from server.rules.bite_evidence import SIDES, TOUCHING_SOURCE, contact_of, no_teeth_to_meet, on_working
from server.rules.evidence import CaseEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule, Seen


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    apart = no_teeth_to_meet(case)
    if apart is not None:
        yield apart
        return
    told = contact_of(case)
    sides = [told.of(region) for region in SIDES]
    near, wide = sorted(sides, key=lambda s: s.least_mm.value if s.least_mm else float("inf"))
    if near.least_mm is None or near.least_mm.value > CONTACT_MM:
        yield DoesNotApply("Behind, the teeth meet on neither side.")
        return
    both = (told.working, told.opposing)
    if wide.least_mm is None:
        says = f"Only {near.region.words} do the teeth meet; on the other side none comes within 3 mm."
        yield Observation(says, broken=True, other_records=both)
        return
    value = max(wide.least_mm.value, 0.0)
    is_met = value <= CONTACT_MM
    says = (
        "The back teeth meet on both sides."
        if is_met
        else (
            f"The back teeth meet only {near.region.words}; {wide.region.words} the least gap is {value:.2f} mm."
        )
    )
    yield Observation(
        says,
        value=value,
        u95=wide.least_mm.u95,
        where=on_working(told, wide.least_at_mm),
        other_records=both,
    )


RULE = Rule(
    id="bite/one-sided",
    revision=1,
    title="The teeth meet on one side only",
    remedy="Check with foil whether both sides hold when the patient closes firmly; if they do, scan the bite again on the "
    "open side while the patient stays closed.",
    source="Common practice; our own proposal.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit.look_only(0.10, "mm", TOUCHING_SOURCE)}),
)

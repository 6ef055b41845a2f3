"""A scan body was placed by hand, because it was not found by itself.

Why: what the search does not believe may still be a body, half caught or under tissue, and three spots matched by hand say
where. But then a person's eye stands where a measurement should, so another person looks at it.
How: the spots give a first pose; the body is fitted to the surface from there like any other, with the uncertainty of what
was caught. Where the search finds a body there by itself, that one counts and the spots are not needed.
Not seen: spots put on something that is shaped like the body and is none.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.bodies import BODIES, Matched
from server.records.roles import Role
from server.rules.body_evidence import bodies_in, is_table
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.rule import DoesNotApply, Observation, Rule, Seen

_SAYS = {
    Matched.NOTHING_THERE: "The spots matched by hand for the body {body} lie on no surface like it.",
    Matched.NO_SUCH_BODY: "Spots were matched by hand for the body {body}, which the body catalogue does not hold.",
    Matched.NO_MATCH: "The spots matched by hand for the body {body} cannot be laid on each other: they are not the same spots.",
}


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    spots = record.entry.spots
    if not spots:
        yield DoesNotApply("No scan body was matched by hand.")
        return
    if is_table(record):
        yield DoesNotApply("The implant positions came as a table, not as a surface.")
        return
    for body in bodies_in(record, case):
        if body.seen.by_hand:
            says = (
                f"{body.words[:1].upper()}{body.words[1:]} was not found by itself; it was fitted from spots matched by hand "
                f"(share caught {body.seen.coverage_ratio:.2f}, rms {body.seen.rms_mm:.3f} mm)."
            )
            yield Observation(says, broken=True, site_index=body.sites, where=(body.place,))
    for one, came in zip(spots, record.result(BODIES).matched, strict=False):
        if came in _SAYS:
            yield Observation(_SAYS[came].format(body=one.body), broken=True)
        elif came is Matched.FOUND_WITHOUT:
            says = (
                f"A scan body was found by itself where spots were matched by hand for the body {one.body}."
            )
            yield Observation(says, broken=False)


RULE = Rule(
    id="bodies/by-hand",
    revision=1,
    title="A scan body was placed by hand",
    remedy="Dry and, where needed, matt the scan body, and scan it again from all sides, so that it is found by itself; "
    "else look at whether it lies on the scan as it should.",
    source="Common practice: what a person placed by hand is checked by another.",
    roles=frozenset({Role.JAW, Role.MARKERS}),
    of_record=_observe,
)

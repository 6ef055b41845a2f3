"""Another kind of scan body stands at a site than the form names.

Why: a body of another length puts the implant up or down by the difference, and a good fit hides it.
How: every kind of the catalogue is fitted at each place; the kinds are compared by the area of the scan that each
explains, less what it would have hidden. Where the one named explains clearly less than another, it is the other.
Not seen: two kinds that differ only below the tissue or in what the scan did not catch; a kind that is not in the
catalogue.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.roles import Role
from server.rules.body_evidence import BodyAt, bodies_in
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.limit import Level
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.wording import sentence

CLEARLY_LESS = 0.85
LESS = 0.95


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    bodies = [body for body in bodies_in(record, case) if body.site is not None]
    if not bodies:
        yield DoesNotApply("No scan body was found whose site could be told.")
        return
    unlike = [seen for body in bodies if (seen := _of_body(body, case)) is not None]
    yield from unlike or [Observation("Every scan body is of the kind named.", broken=False)]


def _of_body(body: BodyAt, case: CaseEvidence) -> Observation | None:
    """What is to be said of a body that is not plainly of its kind."""
    named = body.site.scan_body if body.site else None
    if not named:
        raise Lacking(f"the form does not name {body.words}", because="form/missing")
    if named not in case.bodies:
        raise Lacking(
            f"the kind named for {body.words} is not in the catalogue", because="bodies/not-in-catalogue"
        )
    fits = {kind.body: kind for kind in body.seen.kinds}
    best = body.seen.kinds[0]
    share = fits[named].explained_mm2 / best.explained_mm2 if named in fits else 0.0
    if named == best.body or share > LESS:
        return None
    is_clear = share < CLEARLY_LESS
    says = (
        f"{sentence(body.words)} is {best.body}; the form names {named}."
        if is_clear
        else f"{sentence(body.words)} may be {best.body} instead of {named}; what was caught of it fits both."
    )
    return Observation(
        says,
        broken=True,
        level=None if is_clear else Level.LOOK,
        where=(body.place,),
        site_index=body.sites,
    )


RULE = Rule(
    id="bodies/wrong-kind",
    revision=1,
    title="Another kind of scan body than the form names",
    remedy="Read the marking on the scan body. Correct the form, or change the body for the one named and scan again.",
    source="Common practice.",
    of_record=_observe,
    roles=frozenset({Role.JAW}),
    level=Level.RETURN,
)

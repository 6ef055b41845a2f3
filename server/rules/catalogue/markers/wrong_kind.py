"""The mesh of implant positions shows another kind of reference body than the form says.

Why: positions are those of a body's seat; another body has its seat elsewhere, all sites are off by the difference, and a
fit hides it.
How: every kind of the catalogue is fitted to each body of the mesh; the kinds are compared by the area each explains.
The kind to be expected is the one named for the file, else those of the sites.
Not seen: a table of positions shows no body; kinds that are alike above the seat.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.roles import Role
from server.rules.body_evidence import bodies_in, is_table
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Level
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.wording import listed

CLEARLY_LESS = 0.85


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    if is_table(record):
        yield DoesNotApply("The implant positions came as a table, not as a surface.")
        return
    bodies = list(bodies_in(record, case))
    named = (
        {record.entry.body} if record.entry.body else {s.scan_body for s in case.form.sites if s.scan_body}
    )
    if not bodies or not named:
        yield DoesNotApply("It shows no body, or none is named.")
        return
    other: dict[str, int] = {}
    for body in bodies:
        fits = {kind.body: kind.explained_mm2 for kind in body.seen.kinds}
        best = body.seen.kinds[0]
        if (
            max((fits.get(name or "", 0.0) for name in named), default=0.0)
            < CLEARLY_LESS * best.explained_mm2
        ):
            other[best.body] = other.get(best.body, 0) + 1
    said = listed(sorted(str(name) for name in named), "or")
    for kind, count in other.items():
        yield Observation(
            f"{count} of its {len(bodies)} bodies are {kind}; the form says {said}.", broken=True
        )
    if not other:
        yield Observation("Its bodies are of the kind named.", broken=False)


RULE = Rule(
    id="markers/wrong-kind",
    revision=1,
    title="The positions show another kind of body",
    remedy="Name in the form which reference body the file of positions shows, or export it with the one named.",
    source="Common practice.",
    of_record=_observe,
    roles=frozenset({Role.MARKERS}),
    level=Level.RETURN,
)

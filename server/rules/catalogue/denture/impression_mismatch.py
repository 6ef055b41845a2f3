"""The impression side of the denture does not fit the tissue.

Why: a denture of another patient, or one that was not relined, carries neither the tissue nor the bite of this mouth.
How: its impression side, turned into a positive, against the tissue scan or the jaw scan without its bodies: 95 % of the
signed differences, each the mean of a patch of 2 mm, are smaller than the value, bodies and border left out. Where its imprints go with the jaw's scan bodies, the denture
is laid on these, else as the surfaces go together. Mucosa gives by tenths of a millimetre under a denture, so tenths are
to be expected. A denture that goes with the jaw in no placing is of another mouth, or was not relined.
Not seen: whether soft tissue was caught out of its place when it was scanned; pressure that tissue has yielded to everywhere alike; a swelling of both ends alike, where no imprints are.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.denture_laid import Laid
from server.measures.impression import IMPRESSION, ImpressionResult
from server.measures.relation import Came
from server.measures.sides import SIDES
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.limit import Level, Limit
from server.rules.rule import VALUE, Observation, Rule, at

LEAST_COMPARED_RATIO = 0.3
"""Less of the impression side than this says nothing of how it fits."""


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Observation]:
    record.result(SIDES)
    if not case.of_roles([Role.JAW, Role.TISSUE]):
        raise Lacking("there is no scan of the working jaw to compare it with")
    told = case.result(IMPRESSION)
    if told.denture != record.file:
        raise Lacking("another denture was compared")
    if told.laid is Laid.NOT:
        yield _apart(told)
        return
    if told.untold:
        raise Lacking(told.untold)
    if told.p95_mm is None or (told.compared_ratio or 0.0) < LEAST_COMPARED_RATIO:
        raise Lacking("too little of the impression side meets the tissue")
    yield Observation(
        f"The impression side differs from the {_words(told, case)} by up to {told.p95_mm:.2f} mm over 95 % of it, by "
        f"{told.spread_mm:.2f} mm in the middle. {_most(told)} Mucosa gives by tenths of a millimetre.",
        value=told.p95_mm,
        u95=told.u95_mm or 0.0,
        where=at(record, told.off_at_mm),
        other_records=(told.tissue,),
    )


def _apart(told: ImpressionResult) -> Observation:
    """What is said of a denture that could not be laid on the jaw. Raises Lacking where another rule says why."""
    if told.came is Came.MIRRORED:
        raise Lacking("it lies on the jaw only in mirror image", because="surface/mirrored")
    if told.came is not Came.NOT:
        raise Lacking("it could not be laid on the jaw", because="surface/no-fit")
    says = (
        "The denture lies on the jaw in no placing: it is of another patient, or was not relined on this jaw."
    )
    return Observation(says, broken=True, level=Level.RETURN, other_records=(told.tissue,))


def _words(told: ImpressionResult, case: CaseEvidence) -> str:
    return next(r.role.words for r in case.records if r.file == told.tissue)


def _most(told: ImpressionResult) -> str:
    if not told.off_mm:
        return ""
    how = "stands off" if told.off_mm[0] > 0.0 else "reaches into it"
    known = f" ± {told.off_u95_mm[0]:.2f}" if told.off_u95_mm else ""
    return f"Where it is most, it {how} by {abs(told.off_mm[0]):.2f}{known} mm."


_SOURCE = (
    "Common practice; mucosa gives by 0.1-0.6 mm under load (from memory); the numbers are our own proposal."
)

RULE = Rule(
    id="denture/impression-mismatch",
    revision=1,
    title="The impression side does not fit the tissue",
    remedy="Make sure that the denture is this patient's and was relined on this jaw. If it was, look for swelling or for a "
    "seat that was not reached, reline it again, and scan denture and tissue anew.",
    source=_SOURCE,
    of_record=_observe,
    roles=frozenset({Role.DENTURE}),
    limits=MappingProxyType({VALUE: Limit(0.40, 1.0, "mm", _SOURCE)}),
)

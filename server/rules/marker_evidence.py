"""What rules about implant positions ask first: how they compare with the jaw scan, and which sites that is about."""

from __future__ import annotations

from collections.abc import Iterable

from server.measures.bodies import BODIES
from server.measures.markers import MARKERS, Hands, MarkersResult
from server.records.roles import Role
from server.rules.body_evidence import BodyAt, bodies_in, jaw_of
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.wording import listed


def markers_of(case: CaseEvidence) -> MarkersResult:
    """The comparison. Raises Lacking where no positions came, or they or the jaw could not be measured."""
    if not case.of_roles([Role.MARKERS]):
        raise Lacking("no implant positions came")
    jaw_of(case).result(BODIES)
    return case.result(MARKERS)


def matched(case: CaseEvidence) -> MarkersResult:
    """The comparison where each position is told to be a body's. Raises Lacking, naming the rule that says why not."""
    told = markers_of(case)
    if not told.fits:
        raise Lacking("the positions do not go with the bodies of the jaw scan", because="markers/fit")
    if told.hand is Hands.MIRRORED:
        raise Lacking("the positions are a mirror image of the jaw scan", because="markers/mirrored")
    if told.is_ambiguous:
        raise Lacking("the positions go with the bodies of the jaw scan in more than one way")
    return told


def body_of(case: CaseEvidence, number: int) -> BodyAt:
    """A scan body of the jaw, by its number."""
    return next(body for body in bodies_in(jaw_of(case), case) if body.number == number)


def sites_of_bodies(case: CaseEvidence, numbers: Iterable[int]) -> tuple[int, ...]:
    """The sites of some bodies, in the form's order; without those whose site could not be told."""
    return tuple(sorted(site for n in numbers for site in body_of(case, n).sites))


def words_of(case: CaseEvidence, numbers: Iterable[int], last: str = "and") -> str:
    """“the scan body at site 34 and the scan body at site 44”."""
    return listed([body_of(case, n).words for n in numbers], last)

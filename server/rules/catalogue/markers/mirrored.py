"""The implant positions are a mirror image of the jaw scan.

Why: a mirrored set fits a mirrored mouth; the bridge made to it fits none.
How: positions and axes are compared with the scan bodies of the jaw as they are and mirrored; the better must be better at
odds of a hundred to one. A rigid fit never mirrors.
Not seen: positions that lie flat and even, with axes alike: their mirror image is the same set. Then it is said that it
cannot be told.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.markers import Hands
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.frame_evidence import hands_of
from server.rules.limit import Level
from server.rules.marker_evidence import markers_of
from server.rules.rule import Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    told = markers_of(case)
    if not told.fits:
        raise Lacking("the positions do not go with the bodies of the jaw scan", because="markers/fit")
    if told.hand is Hands.UNTOLD:
        raise Lacking("these positions and their mirror image fit the jaw scan alike")
    mirrored = told.hand is Hands.MIRRORED
    if mirrored and _is_jaw_mirrored(case, told.jaw):
        raise Lacking("it is the jaw scan that is mirrored", because="surface/mirrored")
    says = (
        "The positions fit the scan bodies of the jaw only as a mirror image."
        if mirrored
        else "The positions have the same hand as the jaw scan."
    )
    yield Observation(says, broken=mirrored, other_records=(told.record, told.jaw))


def _is_jaw_mirrored(case: CaseEvidence, jaw: str) -> bool:
    """Whether other records speak against the jaw scan."""
    try:
        return jaw in hands_of(case).mirrored
    except Lacking:
        return False


RULE = Rule(
    id="markers/mirrored",
    revision=2,
    title="The implant positions are mirrored",
    remedy="Export the positions again without mirroring; make sure that upper and lower jaw were not exchanged.",
    source="Geometry: a mirror image of a set that is not flat cannot be moved onto it.",
    of_case=_observe,
    level=Level.RETURN,
)

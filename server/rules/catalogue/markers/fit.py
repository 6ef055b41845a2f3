"""The implant positions do not lie on the scan bodies of the jaw.

Why: tissue is placed on the positions by this fit; where it is off, the bridge presses or gaps.
How: the rigid fit of all matched positions to the bodies (det +1, no scale); the largest distance left. Positions that
match fewer than three bodies in any placing are of another jaw.
Not seen: the fit spreads one site's error over its neighbours (markers/one-off looks for that); errors alike in both.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.rules.evidence import CaseEvidence
from server.rules.limit import Level, Limit, Standing
from server.rules.marker_evidence import body_of, markers_of, matched
from server.rules.rule import VALUE, Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    told = markers_of(case)
    both = (told.jaw, told.record)
    if not told.fits:
        says = "The implant positions go with the scan bodies of the jaw in no placing: they are of another jaw, or most of either are wrong."
        yield Observation(says, broken=True, level=Level.RETURN, other_records=both)
        return
    matched(case)
    worst = max(told.pairs, key=lambda pair: pair.residual_mm)
    body = body_of(case, worst.body)
    yield Observation(
        f"After the fit of all positions the largest distance is {worst.residual_mm * 1000:.0f} µm, at {body.words}.",
        value=worst.residual_mm,
        u95=worst.u95_residual_mm,
        where=(body.place,),
        site_index=body.sites,
        other_records=both,
    )


_SOURCE = "Empirical: intraoral scans of complete arches 24-99 µm, photogrammetry 17-37 µm (doi 10.11607/ijp.7332; PMC11636004)."

RULE = Rule(
    id="markers/fit",
    revision=1,
    title="Implant positions against the jaw scan",
    remedy="Scan the jaw again from one end to the other in one sweep, and take the positions again if the difference stays.",
    source="Measured performance of both methods; the numbers are empirical.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(0.10, 0.30, "mm", _SOURCE, Standing.LITERATURE)}),
)

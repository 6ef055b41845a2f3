"""The jaw scan is larger or smaller than the implant positions by a common factor.

Why: a wrong calibration or unit scales everything alike; a fit that may scale would hide it, so ours never does.
How: the scale that would fit the matched positions best (Umeyama 1991), less one; reported, never applied.
Not seen: a scale of one record against the mouth; with sites close together the scale is uncertain, and that is said.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Limit
from server.rules.marker_evidence import matched
from server.rules.rule import VALUE, Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    told = matched(case)
    if told.scale_ratio is None or told.scale_u95_ratio is None:
        raise Lacking("no scale could be fitted")
    off = told.scale_ratio - 1.0
    more = "larger" if off > 0.0 else "smaller"
    yield Observation(
        f"The jaw scan is {100.0 * abs(off):.2f} % {more} than the implant positions.",
        value=abs(off),
        u95=told.scale_u95_ratio,
        other_records=(told.jaw, told.record),
    )


RULE = Rule(
    id="markers/scale",
    revision=1,
    title="Jaw scan and positions differ in scale",
    remedy="Calibrate the scanner, and check the unit in which the positions were exported; then take both again.",
    source="Umeyama 1991 for the scale; the numbers are our own proposal.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(0.003, 0.010, "", "Our own proposal.")}),
)

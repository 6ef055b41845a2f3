"""The jaw scan is wider or narrower across the arch than the implant positions.

Why: intraoral scans are stitched from one end to the other and bend; tissue and bite then lie off the implants by as much.
An ordinary weakness: the positions govern, and the report says by how much the tissue is off.
How: the distance between each two scan bodies less that between their positions; the largest of all pairs. The ways in
which the arch as a whole has changed (width, depth, skew, bow, twist) are told where they are larger than their
uncertainty.
Not seen: which of the two is right; an error alike in both.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.markers import MarkersResult
from server.rules.evidence import CaseEvidence
from server.rules.limit import Limit, Standing
from server.rules.marker_evidence import body_of, matched, sites_of_bodies
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule, Seen

_WAYS = {
    "width": ("wider", "narrower"),
    "depth": ("deeper", "flatter"),
    "skew": ("skewed", "skewed"),
    "bow": ("bowed", "bowed"),
    "twist": ("twisted", "twisted"),
}


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    told = matched(case)
    if not told.distances:
        yield DoesNotApply("There are not two sites to compare.")
        return
    worst = max(told.distances, key=lambda d: abs(d.off_mm))
    one, two = (body_of(case, k) for k in worst.bodies)
    more = "longer" if worst.off_mm > 0.0 else "shorter"
    yield Observation(
        f"From {one.words} to {two.words} the jaw scan is {abs(worst.off_mm):.2f} mm {more} than the positions.{_shape(told)}",
        value=abs(worst.off_mm),
        u95=worst.u95_mm,
        where=(one.place, two.place),
        site_index=sites_of_bodies(case, worst.bodies),
        other_records=(told.jaw, told.record),
    )


def _shape(told: MarkersResult) -> str:
    """In which way the arch has changed most, where that is certain."""
    sure = [w for w in told.ways if abs(w.size_mm) > w.u95_mm]
    if not sure:
        return ""
    way = max(sure, key=lambda w: abs(w.size_mm))
    word = _WAYS[way.way][0 if way.size_mm > 0.0 else 1]
    return f" On the whole it is {word} by {abs(way.size_mm):.2f} ± {way.u95_mm:.2f} mm."


_SOURCE = "Empirical: intraoral scans of complete arches with implants 24-99 µm (doi 10.11607/ijp.7332; PMC11636004)."

RULE = Rule(
    id="markers/span",
    revision=1,
    title="The arch is bent or stretched",
    remedy="Scan the jaw again from one end to the other without stopping, drying it first; the positions stay valid.",
    source="Measured performance of whole-arch scans; the numbers are empirical.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(0.10, 0.50, "mm", _SOURCE, Standing.LITERATURE)}),
)

"""Two scan bodies stand so close that the bridge or the scan has no room between them.

Why: bodies that nearly touch shade each other from the scanner, and the cylinders of the bridge run into one another;
bone between implants less than 3 mm apart is lost faster (1.04 against 0.45 mm; Tarnow 2000).
How: least distance between the reference surfaces of each two bodies where they stand.
Not seen: the distance between the implants themselves, below the abutments.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.rules.body_evidence import bodies_in, jaw_of, sites_of
from server.rules.evidence import CaseEvidence
from server.rules.limit import Limit, Sense
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule, Seen
from server.rules.wording import sentence

U95_MM = 0.03
WORTH_SAYING_MM = 3.0


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    sites, jaw = sites_of(case), jaw_of(case)
    if not sites.pairs:
        yield DoesNotApply("Fewer than two scan bodies were found.")
        return
    bodies = {body.number: body for body in bodies_in(jaw, case)}
    pairs = sorted(sites.pairs, key=lambda pair: pair.clearance_mm)
    for pair in [p for p in pairs if p.clearance_mm < WORTH_SAYING_MM] or pairs[:1]:
        one, two = (bodies[k] for k in pair.numbers)
        yield Observation(
            f"{sentence(one.words)} and {two.words} are {pair.clearance_mm:.2f} mm apart.",
            value=pair.clearance_mm,
            u95=U95_MM,
            where=(one.place, two.place),
            site_index=tuple(sorted((*one.sites, *two.sites))),
            other_records=(jaw.file,),
        )


_SOURCE = "Our own proposal. Between implants 3 mm: Tarnow 2000, J Periodontol 71:546."

RULE = Rule(
    id="bodies/too-close",
    revision=1,
    title="Two scan bodies are too close to each other",
    remedy="Tell the lab before the bodies come off: one abutment may have to be turned, changed, or left covered.",
    source="Common practice; the numbers are our own proposal.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(1.0, 0.2, "mm", _SOURCE, sense=Sense.LOWER)}),
)

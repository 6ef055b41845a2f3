"""Behind the last implant of a side more of the bridge hangs free than that carries.

Why: what hangs free is a lever on the last implant and its screw; bridges break there.
How: the crowns planned behind the last implant, of common widths, along the arch from the distal aspect of its platform, less
how far behind the middle of its own crown it stands. For a provisional in mm; for a definitive as a multiple of the spread
of the implants from the centre of the foremost to the line of the distal aspects of the last two.
Not seen: the widths of this patient's teeth, which differ by half a millimetre each; bone and bite force.
Source: up to 1.5 times the spread, 1 to 2.5 by author: English 1990; not validated: Walter & Greenstein 2020,
doi 10.1016/j.adaj.2020.06.016.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.arch_spread import SPREAD, ArchResult, Overhang
from server.records.case_form import Prosthesis
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Limit, Standing
from server.rules.rule import Observation, Rule
from server.rules.space_evidence import lack
from server.rules.wording import count_words

LENGTH, BY_SPREAD = "length", "by spread"


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    if SPREAD.name not in case.measurements:
        raise Lacking("there is no scan to measure on")
    arch = case.result(SPREAD)
    lack(arch.overhang_missing)
    is_definitive = case.form.prosthesis is Prosthesis.DEFINITIVE
    if is_definitive:
        lack(arch.spread_missing)
    for hanging in arch.overhangs:
        yield _seen(hanging, arch, is_definitive=is_definitive)


def _seen(hanging: Overhang, arch: ArchResult, *, is_definitive: bool) -> Observation:
    crowns = count_words(hanging.n_crowns, "planned tooth", "planned teeth")
    says = f"On the {hanging.side.value} {hanging.length_mm:.0f} mm of the bridge hang free behind the last implant ({crowns})."
    sites = (hanging.site_index,)
    if is_definitive and hanging.by_spread is not None:
        spread = f" That is {hanging.by_spread:.1f} times the spread of the implants, {arch.spread_distal_mm:.0f} mm."
        u95 = hanging.u95_by_spread or 0.0
        return Observation(says + spread, value=hanging.by_spread, u95=u95, limit=BY_SPREAD, site_index=sites)
    return Observation(says, value=hanging.length_mm, u95=hanging.u95_mm, limit=LENGTH, site_index=sites)


_OF_SPREAD = "English 1990: up to 1.5 times the spread, 1 to 2.5 by author; not validated."

RULE = Rule(
    id="space/cantilever",
    revision=1,
    title="Too much of the bridge hangs free",
    remedy="Ask the prescriber whether the last teeth can be left out; a shorter bridge is safer than a longer lever.",
    source="Literature, not validated, for definitives; common practice for provisionals.",
    of_case=_observe,
    limits=MappingProxyType(
        {
            LENGTH: Limit(
                7.0, 15.0, "mm", "Common practice: no more than one small tooth while implants heal."
            ),
            BY_SPREAD: Limit(1.5, 2.0, "× spread", _OF_SPREAD, Standing.LITERATURE),
        }
    ),
)

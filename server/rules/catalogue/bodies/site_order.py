"""The tooth codes do not go with the order of the scan bodies along the arch.

Why: two codes exchanged give each implant the other's abutment, screw and torque; sides exchanged give a bridge of the
other hand.
How: where each body lies along the arch of the scan, from the midline and with the patient's left and right from the
surface, against where teeth of common width (Ash & Nelson, from memory) put its code, with one shift and stretch for the
whole arch. Besides: in a list of loaded sites that runs along the arch, two neighbours out of turn.
Not seen: two codes exchanged in a list without any order; codes one tooth off all along.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.teeth import UnknownTooth, tooth_of
from server.rules.body_evidence import bodies_in, jaw_of, sites_of
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Level
from server.rules.rule import Observation, Rule
from server.rules.wording import site_words

OFF_MM = 9.0
"""A body farther along the arch than this from its code stands at another tooth; more than a molar's half-widths."""
FEWEST = 4


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    sites, jaw = sites_of(case), jaw_of(case)
    if sites.untold:
        raise Lacking(
            f"which body is which site could not be told: {sites.untold}", because=sites.untold_because
        )
    if sites.is_better_mirrored:
        says = "The scan bodies go with the tooth codes only when left and right are exchanged."
        told = tuple(s.site_index for s in sites.sites)
        yield Observation(says, broken=True, site_index=told, other_records=(jaw.file,))
        return
    far = [s for s in sites.sites if abs(s.off_mm) > OFF_MM]
    bodies = {body.number: body for body in bodies_in(jaw, case)}
    for s in far:
        side = "left" if s.off_mm > 0.0 else "right"
        where = site_words(s.site_index, case.form.sites[s.site_index])
        says = f"The scan body taken for {where} stands {abs(s.off_mm):.0f} mm farther to the patient's {side} than that tooth."
        yield Observation(
            says,
            broken=True,
            where=(bodies[s.number].place,),
            site_index=(s.site_index,),
            other_records=(jaw.file,),
        )
    swapped = _out_of_turn(case)
    if swapped:
        one, two = (site_words(k, case.form.sites[k]) for k in swapped)
        says = f"The list of sites runs along the arch but for {one} and {two}: are their codes exchanged?"
        yield Observation(says, broken=True, level=Level.LOOK, site_index=swapped, other_records=(jaw.file,))
    if not far and not swapped:
        yield Observation(
            "The tooth codes go with the order of the bodies.", broken=False, other_records=(jaw.file,)
        )


def _out_of_turn(case: CaseEvidence) -> tuple[int, int] | None:
    """Two neighbours whose exchange would make the list run along the arch; None where it runs, or is in no order.
    Covered implants are often written last and do not count."""
    loaded = [k for k, site in enumerate(case.form.sites) if site.loaded]
    if case.form.numbering is None or len(loaded) < FEWEST:
        return None
    try:
        places = [tooth_of(case.form.sites[k].tooth, case.form.numbering).place for k in loaded]
    except UnknownTooth:
        return None
    if len(set(places)) < len(places) or _runs(places):
        return None
    for k in range(len(places) - 1):
        changed = [*places[:k], places[k + 1], places[k], *places[k + 2 :]]
        if _runs(changed):
            return loaded[k], loaded[k + 1]
    return None


def _runs(places: list[int]) -> bool:
    return places in (sorted(places), sorted(places, reverse=True))


RULE = Rule(
    id="bodies/site-order",
    revision=2,
    title="Tooth codes against the order along the arch",
    remedy="Compare the list of sites with the mouth, from the patient's right to left, and correct the codes. Make sure "
    "that the scan is of this patient and not mirrored.",
    source="Common practice; places by common crown widths, from memory, unconfirmed.",
    of_case=_observe,
    level=Level.RETURN,
)

"""Between an implant and the other jaw there is too little room for the bridge.

Why: cylinder, screw, and the material around and above them need their height; a bridge made thinner breaks.
How: from the seat of the site's scan body along its axis to the first of the other jaw's surface, in the joint frame. The
minimum is that of the material. It is published from the implant's platform to the plane of the other jaw; a body on an
abutment sits higher by the abutment, so what is measured here is the smaller of the two.
Not seen: room that the other jaw's treatment will give or take; an axis that passes beside the other jaw. Where the other jaw
has no teeth nothing is said.
Source: Carpentieri, Greenstein & Cavallaro 2019, JADA: screw-retained 7.5 mm at abutment level, 4-5 mm at implant level,
metal-acrylic full arch 15 mm; full-arch zirconia 12 mm (10-14), read in a secondary source.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.space import SiteRoom
from server.records.bodies import SeatLevel
from server.records.case_form import CaseForm, Material, OpposingDentition
from server.rules.evidence import CaseEvidence, Lacking, SiteEvidence
from server.rules.limit import Limit, Sense, Standing
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.space_evidence import COVERED, lack, other_files, place, room_at, space_of
from server.rules.wording import sentence, site_words

RESIN, IMPLANT_LEVEL, ZIRCONIA, METAL_ACRYLIC = "resin", "resin at implant level", "zirconia", "metal-acrylic"


def _observe(at: SiteEvidence, case: CaseEvidence) -> Iterator[Seen]:
    if not at.site.loaded:
        yield COVERED
        return
    if case.form.opposing_dentition is OpposingDentition.EDENTULOUS:
        yield DoesNotApply("The other jaw has no teeth to measure to.")
        return
    room, space = room_at(at, case), space_of(case)
    lack(space.opposing_missing)
    if room.opposing_mm is None:
        raise Lacking(f"{site_words(at.index, at.site)}: {room.opposing_says}")
    yield Observation(
        f"{sentence(site_words(at.index, at.site))}: {room.opposing_mm:.1f} mm from the seat to the other jaw.",
        value=room.opposing_mm,
        u95=room.u95_opposing_mm or 0.0,
        limit=limit_for(case.form, room),
        where=place(space.opposing, room.opposing_at_mm),
        other_records=other_files(space.opposing),
    )


def limit_for(form: CaseForm, room: SiteRoom) -> str:
    """The minimum that applies: that of the bridge's material, and for resin of where the scan body sits."""
    if form.material is Material.ZIRCONIA:
        return ZIRCONIA
    if form.material is Material.METAL_ACRYLIC:
        return METAL_ACRYLIC
    return IMPLANT_LEVEL if room.seat_level is SeatLevel.IMPLANT else RESIN


def _limit(look: float, return_: float, source: str, standing: Standing = Standing.LITERATURE) -> Limit:
    return Limit(look, return_, "mm", source, standing, sense=Sense.LOWER)


_JADA = "Carpentieri, Greenstein & Cavallaro 2019, JADA, from the implant's platform to the other jaw's plane"

RULE = Rule(
    id="space/restorative",
    revision=1,
    title="There is too little room for the bridge",
    remedy="Check that the bite was closed at the planned height. If it was, tell the lab before the patient leaves: another "
    "abutment, another material, or more height may be needed.",
    source="Published minimums; the numbers to return at are our own proposal.",
    of_site=_observe,
    limits=MappingProxyType(
        {
            RESIN: _limit(7.5, 6.0, f"{_JADA}: screw-retained, abutment level 7.5 mm."),
            IMPLANT_LEVEL: _limit(5.0, 4.0, f"{_JADA}: screw-retained, implant level 4-5 mm."),
            ZIRCONIA: _limit(12.0, 10.0, "Full-arch zirconia 12 mm (10-14), read in a secondary source."),
            METAL_ACRYLIC: _limit(15.0, 12.0, f"{_JADA}: metal-acrylic full arch 15 mm."),
        }
    ),
)

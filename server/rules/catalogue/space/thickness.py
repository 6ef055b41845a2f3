"""Above an implant the denture is thin.

Why: the denture is the pattern of the bridge; where it is thin over an implant, the bridge will be, and the cylinder that is
luted into it will have little to hold in.
How: from the seat of the site's scan body along its axis to where that leaves the denture; where the channel is already open
in the scan, to the plane of its rim.
Not seen: a denture that will not be followed; what lies beside the axis, of which denture/thin speaks.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.rules.evidence import CaseEvidence, Lacking, SiteEvidence
from server.rules.limit import Limit, Sense
from server.rules.rule import VALUE, Observation, Rule, Seen
from server.rules.space_evidence import COVERED, lack, other_files, place, room_at, space_of
from server.rules.wording import sentence, site_words


def _observe(at: SiteEvidence, case: CaseEvidence) -> Iterator[Seen]:
    if not at.site.loaded:
        yield COVERED
        return
    room, space = room_at(at, case), space_of(case)
    lack(space.denture_missing)
    if room.thickness_mm is None:
        raise Lacking(f"{site_words(at.index, at.site)}: {room.denture_says}")
    rim = ", measured at the rim of the open channel" if room.is_open else ""
    says = f"{sentence(site_words(at.index, at.site))}: {room.thickness_mm:.1f} mm from the seat to the denture's outer surface{rim}."
    yield Observation(
        says,
        value=room.thickness_mm,
        u95=room.u95_thickness_mm or 0.0,
        where=place(space.denture, room.exit_at_mm),
        other_records=other_files(space.denture),
    )


_SOURCE = "Our own proposal: a cylinder of 4 mm with 2 mm over it."

RULE = Rule(
    id="space/thickness",
    revision=1,
    title="The denture is thin above an implant",
    remedy="Tell the lab whether the denture may be built up there, or the cylinder shortened, before it is luted.",
    source="Common practice; the numbers are our own proposal.",
    of_site=_observe,
    limits=MappingProxyType({VALUE: Limit(6.0, 4.0, "mm", _SOURCE, sense=Sense.LOWER)}),
)

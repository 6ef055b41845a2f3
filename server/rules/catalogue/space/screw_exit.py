"""A screw channel comes out on the outside of the teeth, or close to their edge.

Why: a hole in the facial face shows and cannot be hidden; one at the edge weakens it. An angled abutment or screw may help
before the bridge is made.
How: where the axis leaves the denture, and where the edge or the outer cusps lie there: the outermost row of highest places
across the arch, found from the denture's own surface. The distance counts at front teeth, which have an edge; a chewing face
is wide enough, so that behind them only a channel on the outer face counts.
Not seen: what an angled screw channel could correct (usually up to 25°, from memory); an abutment's angle still to be chosen.
Source: the place of the hole: mid-occlusal behind, inside of the edge in front.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.metrology.space.outer_face import Face
from server.records.teeth import Numbering, UnknownTooth, tooth_of
from server.rules.evidence import CaseEvidence, Lacking, SiteEvidence
from server.rules.limit import Level, Limit, Sense, Standing
from server.rules.rule import VALUE, Observation, Rule, Seen
from server.rules.space_evidence import COVERED, lack, other_files, place, room_at, space_of
from server.rules.wording import sentence, site_words

FRONT_TEETH = 3
"""Incisors and the canine, counted from the midline."""
_FACES = {
    Face.CHEWING: "on the chewing face",
    Face.INNER: "on the inner face",
    Face.OUTER: "on the outer face",
}


def _observe(at: SiteEvidence, case: CaseEvidence) -> Iterator[Seen]:
    if not at.site.loaded:
        yield COVERED
        return
    room, space = room_at(at, case), space_of(case)
    lack(space.denture_missing)
    words = sentence(site_words(at.index, at.site))
    if room.thickness_mm is None:
        raise Lacking(f"{site_words(at.index, at.site)}: {room.denture_says}")
    lack(space.mouth_missing)
    if room.face is None or room.crest_mm is None:
        raise Lacking(f"{site_words(at.index, at.site)}: the denture shows no edge there")
    says = f"{words}: the screw channel comes out {_FACES[room.face]}, {room.crest_mm:.1f} mm from the edge or outer cusp."
    where, files = place(space.denture, room.exit_at_mm), other_files(space.denture)
    if room.face is Face.OUTER:
        yield Observation(says, broken=True, level=Level.LOOK, where=where, other_records=files)
        return
    if not _has_edge(at, case):
        yield Observation(says, broken=False, where=where, other_records=files)
        return
    u95 = room.u95_crest_mm or 0.0
    yield Observation(says, value=room.crest_mm, u95=u95, where=where, other_records=files)


def _has_edge(at: SiteEvidence, case: CaseEvidence) -> bool:
    """Whether the site is that of an incisor or canine; where its code names no tooth, it is taken for one."""
    try:
        return tooth_of(at.site.tooth, case.form.numbering or Numbering.FDI).number <= FRONT_TEETH
    except UnknownTooth:
        return True


_SOURCE = "The hole belongs inside of the edge in front and in the middle of the chewing face behind; 1 mm is our own proposal."

RULE = Rule(
    id="space/screw-exit",
    revision=2,
    title="A screw channel comes out on the outside or at the edge",
    remedy="Before the patient leaves, look whether an angled abutment brings the channel to the inside; tell the lab which one.",
    source="Literature on where the access hole belongs; the distance is our own proposal.",
    of_site=_observe,
    limits=MappingProxyType(
        {VALUE: Limit.look_only(1.0, "mm", _SOURCE, Standing.LITERATURE, sense=Sense.LOWER)}
    ),
)

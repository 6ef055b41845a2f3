"""Beside a scan body the denture's wall is thin.

Why: where the denture is opened for the cylinder, a thin wall breaks when it is luted or worn, and the bridge copied from it
will be as thin.
How: the body is placed in the denture scan where the implant stands; the shortest way from its surface to the denture's outer
side. What faces tissue or another body is the other side of the denture and does not count.
Not seen: a wall thinned after the scan. The wall beside the screw channel above the body is measured and reported, not
judged: there is no published minimum, and toward its rim it always ends in nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.imprint_sites import IMPRINT_SITES
from server.measures.walls import WALLS
from server.rules.body_evidence import body_at
from server.rules.evidence import CaseEvidence, Lacking, SiteEvidence
from server.rules.limit import Limit, Sense, Standing
from server.rules.rule import VALUE, Observation, Rule, Seen
from server.rules.space_evidence import COVERED, lack, other_files, place
from server.rules.wording import sentence, site_words


def _observe(at: SiteEvidence, case: CaseEvidence) -> Iterator[Seen]:
    if not at.site.loaded:
        yield COVERED
        return
    if WALLS.name not in case.measurements:
        raise Lacking("there is no scan to measure on")
    walls = case.result(WALLS)
    lack(walls.missing)
    words, wall = site_words(at.index, at.site), walls.of(at.index)
    if wall is None:
        body_at(at, case)
        raise Lacking(f"the position at {words} is not known")
    if _has_no_imprint(at.index, case):
        raise Lacking(f"{words}: no scan body left an imprint there", because="denture/imprint-count")
    if wall.wall_mm is None:
        raise Lacking(f"{words}: no outer side of the denture is near the scan body")
    yield Observation(
        f"{sentence(words)}: the denture's wall beside the scan body is {wall.wall_mm:.1f} mm.",
        value=wall.wall_mm,
        u95=wall.u95_mm or 0.0,
        where=place(walls.denture, wall.at_mm),
        other_records=other_files(walls.denture),
    )


def _has_no_imprint(index: int, case: CaseEvidence) -> bool:
    """Whether the denture was relined without a body there: the wall would be measured inside solid resin."""
    told = case.result_or_none(IMPRINT_SITES)
    return told is not None and told.n_imprints > 0 and told.is_clear and index in told.empty_sites


_SOURCE = "Interim acrylic around cylinders at least 2 mm thick; from memory, unconfirmed."

RULE = Rule(
    id="denture/thin",
    revision=1,
    title="The denture's wall is thin beside a scan body",
    remedy="Build the denture up on its outer side there, let it set, and scan it again all round.",
    source="From memory, unconfirmed.",
    of_site=_observe,
    limits=MappingProxyType({VALUE: Limit(2.0, 1.0, "mm", _SOURCE, Standing.MEMORY, sense=Sense.LOWER)}),
)

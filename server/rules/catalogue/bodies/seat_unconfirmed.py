"""Nobody has confirmed that a site's abutment and scan body are fully seated.

Why: a body that sits 0.2 mm high is scanned perfectly, and the bridge will not fit; no surface shows it.
How: what the form says for each loaded site. A radiograph or the touch of a probe counts as confirmed.
Not seen: a confirmation given too easily. A radiograph at a right angle to the joint is the better witness.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.case_form import SeatConfirmed
from server.rules.evidence import CaseEvidence, Lacking, SiteEvidence
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.wording import site_words


def _observe(at: SiteEvidence, _case: CaseEvidence) -> Iterator[Seen]:
    if not at.site.loaded:
        yield DoesNotApply("A covered implant carries no scan body.")
        return
    if at.site.seat_confirmed is None:
        raise Lacking("the form does not say how the seat was confirmed", because="form/missing")
    where = site_words(at.index, at.site)
    if at.site.seat_confirmed is SeatConfirmed.NO:
        yield Observation(f"The seat at {where} was not confirmed.", broken=True)
    else:
        yield Observation(
            f"The seat at {where} was confirmed by {_BY[at.site.seat_confirmed]}.", broken=False
        )


_BY = {SeatConfirmed.RADIOGRAPH: "radiograph", SeatConfirmed.TACTILE: "touch"}

RULE = Rule(
    id="bodies/seat-unconfirmed",
    revision=1,
    title="The seat of a scan body was not confirmed",
    remedy="Take a radiograph at a right angle to the joint of this site before the body comes off; tighten "
    "and scan again if there is a gap.",
    source="Common practice: no scan can show an unseated body.",
    of_site=_observe,
)

"""One site does not stand where the others say: its position and its scan body disagree.

Why: a body not seated, a loose abutment, a wrong body, a badly caught one: the bridge would miss that implant. A whole-set
best fit hides it and puts the largest residual on its neighbour.
How: which single site, left out, explains positions and axes of all others best, against the accounts that none is off and
that the arch as a whole is bent or stretched; a site is named only at odds of ten to one and where no other would do as
well. Where two would, both are named and the lab looks. The value is how far the site is off, by all the others.
Not seen: a site that is off alike in both records; which of the two records is right. With three sites nothing is left to
tell by.
Source of the limits: laboratory studies of misfit are empirical (Kan 1999, J Prosthet Dent 81:7-13); none guarantees fit.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.metrology.constellation.suspects import Account
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Level, Limit, Standing
from server.rules.marker_evidence import body_of, matched, sites_of_bodies, words_of
from server.rules.rule import VALUE, Observation, Rule
from server.rules.wording import sentence


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    told = matched(case)
    if not told.account:
        raise Lacking("with fewer than four sites nothing is left to tell by")
    both = (told.jaw, told.record)
    by_body = {pair.body: pair for pair in told.pairs}
    if told.account == Account.ONE.value:
        pair, body = by_body[told.named[0]], body_of(case, told.named[0])
        says = (
            f"{sentence(body.words)} stands {pair.off_mm:.2f} mm from where the implant positions and the other sites "
            "put it."
        )
        yield Observation(
            says,
            value=pair.off_mm,
            u95=pair.off_u95_mm or 0.0,
            where=(body.place,),
            site_index=body.sites,
            other_records=both,
        )
    elif told.account == Account.EITHER.value:
        least = min(by_body[k].off_mm or 0.0 for k in told.named)
        says = f"One site is off by {least:.2f} mm or more: {words_of(case, told.named, 'or')}. Which cannot be told."
        yield Observation(
            says,
            broken=True,
            level=Level.LOOK,
            where=tuple(body_of(case, k).place for k in told.named),
            site_index=sites_of_bodies(case, told.named),
            other_records=both,
        )
    else:
        yield Observation(_OTHERS[told.account], broken=False, other_records=both)


_OTHERS = {
    Account.NONE.value: "No single site stands off from the others.",
    Account.ARCH.value: "No single site stands off; the arch as a whole is bent or stretched.",
    Account.UNTOLD.value: "No single site stands off for certain; what differs may come from anywhere.",
}
_SOURCE = (
    "Empirical, from laboratory studies: 100 µm is a commonly cited working limit (Eur J Dent 2017, doi "
    "10.4103/ejd.ejd_162_17); 150 µm Jemt 1991, from memory."
)

RULE = Rule(
    id="markers/one-off",
    revision=1,
    title="One site is off",
    remedy="Take off the scan body at this site, clean and seat it again, tighten it, confirm the seat by a radiograph; "
    "then take both the position and the jaw scan of it again.",
    source="Laboratory studies of misfit; empirical, none guarantees a passive fit.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(0.10, 0.15, "mm", _SOURCE, Standing.LITERATURE)}),
    definitive=MappingProxyType({VALUE: Limit(0.06, 0.10, "mm", _SOURCE, Standing.LITERATURE)}),
)

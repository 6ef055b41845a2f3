"""The jaw scan does not show one scan body for each site.

Why: a site without its body has no position, and the bridge no screw there; a body too many means that the form is not of
this jaw.
How: every body of the catalogue's kinds is searched for in the jaw scan, without a hint of where; bodies and loaded sites
are paired by their order and spacing along the arch. Where two sites might equally be the empty one, none is named.
Not seen: a body of a kind that the catalogue does not hold, one of which hardly a third was caught, one that stands in
place of another.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.sites import SitesResult
from server.rules.body_evidence import bodies_in, jaw_of, sites_of
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, Rule
from server.rules.wording import count_words, listed, site_words


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    sites, jaw = sites_of(case), jaw_of(case)
    loaded = [k for k, site in enumerate(case.form.sites) if site.loaded]
    if sites.untold or (sites.empty_sites and not sites.is_clear):
        yield _by_number(sites, case, len(loaded), jaw.file)
        return
    for index in sites.empty_sites:
        says = f"No scan body was found at {site_words(index, case.form.sites[index])}."
        yield Observation(says, broken=True, site_index=(index,), other_records=(jaw.file,))
    for body in bodies_in(jaw, case):
        if body.number in sites.extra:
            says = f"The jaw scan shows a scan body ({body.seen.body}) where the form has no site."
            yield Observation(says, broken=True, where=(body.place,), other_records=(jaw.file,))
    if not sites.empty_sites and not sites.extra:
        says = f"A scan body was found at each of the {count_words(len(loaded), 'site')}."
        yield Observation(says, broken=False, other_records=(jaw.file,))


def _by_number(sites: SitesResult, case: CaseEvidence, n_sites: int, file: str) -> Observation:
    found = count_words(sites.n_bodies, "scan body", "scan bodies")
    says = f"The jaw scan shows {found}, the form has {count_words(n_sites, 'site')}"
    if sites.untold:
        says += f"; which is which could not be told: {sites.untold}."
        return Observation(says, broken=sites.n_bodies != n_sites, other_records=(file,))
    maybe = listed([site_words(k, case.form.sites[k]) for k in sites.empty_sites])
    says += f"; most likely empty is {maybe}, but that is not certain."
    return Observation(says, broken=True, site_index=sites.empty_sites, other_records=(file,))


RULE = Rule(
    id="bodies/count",
    revision=1,
    title="Scan bodies are missing or too many",
    remedy="Seat the missing scan body, tighten it, and scan the jaw again before any body comes off; where the form "
    "lists a site that is not there, correct the form.",
    source="Common practice: every implant that carries the bridge needs its position.",
    of_case=_observe,
    level=Level.RETURN,
)

"""There is not one implant position for each site.

Why: a site without a position falls back on the jaw scan, whose span nothing has checked.
How: rows of the table, or bodies found in the mesh, against the loaded sites; which one lacks is told by matching the
positions to the scan bodies of the jaw.
Not seen: a position that is there but of another implant; markers/one-off may show it.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.rules.body_evidence import bodies_in, jaw_of
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level
from server.rules.marker_evidence import markers_of
from server.rules.rule import Observation, Rule
from server.rules.wording import count_words


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    told = markers_of(case)
    n_sites = sum(1 for site in case.form.sites if site.loaded)
    n = len(told.markers)
    if n == n_sites:
        says = f"There is a position for each of the {count_words(n_sites, 'site')}."
        yield Observation(says, broken=False, other_records=(told.record,))
        return
    says = (
        f"The file holds {count_words(n, 'implant position')}, the form has {count_words(n_sites, 'site')}."
    )
    lacking = (
        [body for body in bodies_in(jaw_of(case), case) if body.number in told.only_in_jaw]
        if told.fits
        else []
    )
    for body in lacking:
        yield Observation(
            f"{says} None is that of {body.words}.",
            broken=True,
            site_index=body.sites,
            other_records=(told.record,),
        )
    if not lacking:
        yield Observation(says, broken=True, other_records=(told.record,))


RULE = Rule(
    id="markers/count",
    revision=1,
    title="Implant positions are missing or too many",
    remedy="Take the positions again with every marker in view, before any comes off; or correct the list of sites.",
    source="Common practice.",
    of_case=_observe,
    level=Level.RETURN,
)

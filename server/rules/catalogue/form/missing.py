"""Something the lab cannot begin without is not in the form.

Why: the lab has hours; a question by telephone costs one of them, and some answers (which scan body stood
where, how its seat was confirmed) are lost once the patient has left.
How: the form is compared with the list in server/records/completeness.py. One finding for the order as a
whole, one for each site and one for each record that nothing else can stand in for.
Not seen: whether what is written is true. Marks of the bite height, implant positions and bite scans have
rules of their own.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.completeness import Gap, gaps_in
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, Rule
from server.rules.wording import listed, site_words


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    gaps = gaps_in(case.form)
    if not gaps:
        yield Observation("Everything the lab needs to begin is filled in.", broken=False)
    for gap in gaps:
        yield _missing(gap, case)


def _missing(gap: Gap, case: CaseEvidence) -> Observation:
    if gap.site_index is not None:
        site = site_words(gap.site_index, case.form.sites[gap.site_index])
        says = f"The form does not say, for {site}: {listed(gap.words)}."
        return Observation(says, broken=True, site_index=(gap.site_index,))
    if gap.fields[0].startswith("records."):
        remedy = "Scan it now, with the patient in the chair, and add the file."
        return Observation(f"The record set lacks {listed(gap.words)}.", broken=True, remedy=remedy)
    return Observation(f"The form lacks {listed(gap.words)}.", broken=True)


RULE = Rule(
    id="form/missing",
    revision=1,
    title="Something the lab needs is missing",
    remedy="Fill it in now, while whoever placed the abutments is still in the room.",
    source="Customary content of a work order, and common practice: without these a design cannot be begun.",
    of_case=_observe,
    level=Level.RETURN,
)

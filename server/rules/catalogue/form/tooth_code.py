"""A tooth code names no permanent tooth in the declared numbering.

Why: a site that cannot be placed in the mouth cannot be checked against the scan, and the bridge may be
numbered wrongly.
How: every site's code, and the codes of the planned teeth, are looked up in the declared system (ISO 3950
two-digit codes or Universal 1-32). One finding for each site, one for the planned teeth.
Where all codes fit the jaw in the other system only, the numbering is settled first.
Not seen: a valid code of the wrong tooth; form/arch-mismatch and form/numbering-doubtful look at that.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.numbering import only_fit_the_other
from server.records.planned_teeth import planned_teeth
from server.records.teeth import Numbering, UnknownTooth, tooth_of
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Level
from server.rules.rule import Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    numbering = case.form.numbering
    if numbering is None:
        raise Lacking("the tooth numbering is not declared", because="form/missing")
    if only_fit_the_other(case.form):
        raise Lacking(
            "the codes name teeth of this jaw in the other numbering only", because="form/numbering-doubtful"
        )
    wrong = [*_wrong_sites(case, numbering), *_wrong_plan(case, numbering)]
    yield from wrong or [Observation("Every tooth code names a tooth.", broken=False)]


def _wrong_sites(case: CaseEvidence, numbering: Numbering) -> Iterator[Observation]:
    for index, site in enumerate(case.form.sites):
        try:
            if site.tooth:
                tooth_of(site.tooth, numbering)
        except UnknownTooth as unknown:
            yield Observation(unknown.says, broken=True, site_index=(index,))


def _wrong_plan(case: CaseEvidence, numbering: Numbering) -> Iterator[Observation]:
    try:
        planned_teeth(case.form.planned_teeth or "", numbering)
    except UnknownTooth as unknown:
        yield Observation(f"Planned teeth: {unknown.says}", broken=True)


RULE = Rule(
    id="form/tooth-code",
    revision=2,
    title="A tooth code names no tooth",
    remedy="Correct the tooth code, or the numbering system if all codes are from the other one.",
    source="ISO 3950:2016 for the two-digit codes (read in a secondary source); Universal 1-32.",
    of_case=_observe,
    level=Level.RETURN,
)

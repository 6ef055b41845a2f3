"""A site or planned tooth lies in the other jaw than the one declared as worked on.

Why: either the jaw or the code is wrong, and the lab would design for the wrong one.
How: the jaw of each tooth code, read in the declared numbering, against the declared working jaw. One
finding for each site, one for the planned teeth; where all sites lie in the other jaw, one for all. Where all codes fit the jaw in the other numbering only,
that is settled first.
Not seen: a code that names no tooth (form/tooth-code), and which jaw the scans show.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping

from server.records.numbering import only_fit_the_other
from server.records.planned_teeth import planned_teeth
from server.records.teeth import Arch, Numbering, Tooth, UnknownTooth, tooth_of
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Level
from server.rules.rule import Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    arch, numbering = case.form.working_arch, case.form.numbering
    if arch is None or numbering is None:
        raise Lacking("the working jaw or the tooth numbering is not declared", because="form/missing")
    if only_fit_the_other(case.form):
        raise Lacking(
            "the codes lie in this jaw in the other numbering only", because="form/numbering-doubtful"
        )
    teeth = _teeth(case, numbering)
    foreign = {index: tooth for index, tooth in teeth.items() if tooth.arch is not arch}
    if len(foreign) > 1 and len(foreign) == len(teeth):
        says = f"All sites lie in the other jaw; the form says {arch.value}."
        yield Observation(says, broken=True, site_index=tuple(foreign))
        return
    wrong = [*_one_by_one(foreign, case, arch), *_foreign_plan(case, arch, numbering)]
    if not wrong and not teeth:
        raise Lacking("no site has a tooth code that can be read", because="form/tooth-code")
    yield from wrong or [Observation(f"Every tooth named lies in the {arch.value} jaw.", broken=False)]


def _teeth(case: CaseEvidence, numbering: Numbering) -> dict[int, Tooth]:
    read: dict[int, Tooth] = {}
    for index, site in enumerate(case.form.sites):
        with contextlib.suppress(UnknownTooth):
            read[index] = tooth_of(site.tooth, numbering)
    return read


def _one_by_one(foreign: Mapping[int, Tooth], case: CaseEvidence, arch: Arch) -> Iterator[Observation]:
    for index, tooth in foreign.items():
        code = case.form.sites[index].tooth
        says = f"Tooth {code} is in the {tooth.arch.value} jaw; the form says {arch.value}."
        yield Observation(says, broken=True, site_index=(index,))


def _foreign_plan(case: CaseEvidence, arch: Arch, numbering: Numbering) -> Iterator[Observation]:
    try:
        teeth = planned_teeth(case.form.planned_teeth or "", numbering)
    except UnknownTooth:
        return
    foreign = [tooth for tooth in teeth if tooth.arch is not arch]
    if foreign:
        says = f"The planned teeth {case.form.planned_teeth} are not all in the {arch.value} jaw."
        yield Observation(says, broken=True)


RULE = Rule(
    id="form/arch-mismatch",
    revision=2,
    title="A tooth code belongs to the other jaw",
    remedy="Correct the working jaw or the tooth code, whichever is wrong.",
    source="Follows from the meaning of the codes.",
    of_case=_observe,
    level=Level.RETURN,
)

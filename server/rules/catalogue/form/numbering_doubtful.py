"""The tooth codes could as well be, or can only be, codes of the other numbering system.

Why: 18 codes (11-18, 21-28, 31, 32) are valid in both systems and mean other teeth: 11-16 is the upper
right in one and the upper left in the other, so a bridge would be planned for the wrong side.
How: all codes of the form, sites and planned teeth, are read in both systems. Doubtful where they fit the
working jaw in both, or in the other system only; in the latter case form/tooth-code and form/arch-mismatch
wait until the numbering is settled, for they would name every tooth.
Not seen: a form that mixes both systems; its odd codes are found by form/tooth-code or form/arch-mismatch.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.numbering import codes_of, fit, other_than
from server.records.teeth import Numbering
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.wording import listed

_CALLED = {Numbering.FDI: "two-digit FDI codes", Numbering.UNIVERSAL: "Universal numbers"}


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    declared = case.form.numbering
    if declared is None:
        raise Lacking("the tooth numbering is not declared", because="form/missing")
    codes, other = codes_of(case.form), other_than(declared)
    if not codes:
        yield DoesNotApply("No tooth is named.")
        return
    if not fit(codes, other, case.form.working_arch):
        yield Observation(f"Read as {_CALLED[other]} they would not fit the jaw.", broken=False)
        return
    also = "could also be" if fit(codes, declared, case.form.working_arch) else "only fit the jaw as"
    says = f"The form declares {_CALLED[declared]}, but {listed(codes)} {also} {_CALLED[other]}."
    yield Observation(says, broken=True)


RULE = Rule(
    id="form/numbering-doubtful",
    revision=1,
    title="The tooth codes may be of the other numbering system",
    remedy="Say which numbering the codes are in; if unsure, name each implant's tooth in words.",
    source="Arithmetic of the two systems: 18 codes are valid in both.",
    of_case=_observe,
)

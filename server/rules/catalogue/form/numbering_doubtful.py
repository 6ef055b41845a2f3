"""The tooth codes could as well be, or can only be, codes of the other numbering system.

Why: 18 codes (11-18, 21-28, 31, 32) are valid in both systems and mean other teeth: 11-16 is the upper
right in one and the upper left in the other, so a bridge would be planned for the wrong side.
How: all codes of the form, sites and planned teeth, are read in both systems. Doubtful where they fit the
working jaw in both, or in the other system only.
Not seen: a form that mixes both systems; its odd codes are found by form/tooth-code or form/arch-mismatch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from server.records.planned_teeth import planned_codes
from server.records.teeth import Arch, Numbering, UnknownTooth, tooth_of
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.wording import listed

_CALLED = {Numbering.FDI: "two-digit FDI codes", Numbering.UNIVERSAL: "Universal numbers"}


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    declared = case.form.numbering
    if declared is None:
        raise Lacking("the tooth numbering is not declared", because="form/missing")
    other = Numbering.UNIVERSAL if declared is Numbering.FDI else Numbering.FDI
    codes = [*(s.tooth for s in case.form.sites if s.tooth), *planned_codes(case.form.planned_teeth or "")]
    if not codes:
        yield DoesNotApply("No tooth is named.")
        return
    codes = list(dict.fromkeys(codes))
    fits_other = _fit(codes, other, case.form.working_arch)
    if not fits_other:
        yield Observation(f"Read as {_CALLED[other]} they would not fit the jaw.", broken=False)
        return
    also = "could also be" if _fit(codes, declared, case.form.working_arch) else "only fit the jaw as"
    says = f"The form declares {_CALLED[declared]}, but {listed(codes)} {also} {_CALLED[other]}."
    yield Observation(says, broken=True)


def _fit(codes: Sequence[str], numbering: Numbering, arch: Arch | None) -> bool:
    try:
        teeth = [tooth_of(code, numbering) for code in codes]
    except UnknownTooth:
        return False
    return all(arch is None or tooth.arch is arch for tooth in teeth)


RULE = Rule(
    id="form/numbering-doubtful",
    revision=1,
    title="The tooth codes may be of the other numbering system",
    remedy="Say which numbering the codes are in; if unsure, name each implant's tooth in words.",
    source="Arithmetic of the two systems: 18 codes are valid in both.",
    of_case=_observe,
)

"""Which numbering system the tooth codes of a form can be read in."""

from __future__ import annotations

from collections.abc import Sequence

from server.records.case_form import CaseForm
from server.records.planned_teeth import planned_codes
from server.records.teeth import Arch, Numbering, UnknownTooth, tooth_of

FEWEST_CODES = 2


def codes_of(form: CaseForm) -> tuple[str, ...]:
    """Every tooth code of the form, of sites and planned teeth, each once."""
    of_sites = (site.tooth for site in form.sites if site.tooth)
    return tuple(dict.fromkeys([*of_sites, *planned_codes(form.planned_teeth or "")]))


def fit(codes: Sequence[str], numbering: Numbering, arch: Arch | None) -> bool:
    """Whether every code names a tooth in that numbering, of that jaw where it is declared."""
    try:
        teeth = [tooth_of(code, numbering) for code in codes]
    except UnknownTooth:
        return False
    return all(arch is None or tooth.arch is arch for tooth in teeth)


def other_than(numbering: Numbering) -> Numbering:
    return Numbering.UNIVERSAL if numbering is Numbering.FDI else Numbering.FDI


def only_fit_the_other(form: CaseForm) -> bool:
    """Whether the codes make sense in the numbering that is not declared, and in that one alone: then nothing can be
    said of the single code before the numbering is settled. One code alone may as well be a slip of the pen."""
    codes, declared = codes_of(form), form.numbering
    if declared is None or len(codes) < FEWEST_CODES or fit(codes, declared, form.working_arch):
        return False
    return fit(codes, other_than(declared), form.working_arch)

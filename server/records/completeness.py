"""What a form still lacks before a lab can begin: the order, each site, and the records nothing can replace.

Source: the customary content of a work order (lab, prescriber's name, licence number and signature, patient
by name or number, description, materials, due date) as the rules of several US states ask for it, read in
third-party copies; the rest is what a design cannot be begun without: common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

from server.records.case_form import CaseForm, Prescriber, Site
from server.records.roles import Role

_ORDER = {
    "patient_code": "the patient code",
    "working_arch": "the jaw that is worked on",
    "numbering": "the tooth numbering in use",
    "prosthesis": "what kind of bridge is ordered",
    "material": "the material",
    "connection": "the connection to the abutments",
    "opposing_dentition": "what the other jaw carries",
    "needed_by": "when the bridge is needed",
}
_PRESCRIBER = {
    "name": "the prescriber's name",
    "licence": "the prescriber's licence number",
    "signed_at": "the prescriber's signature with its date",
}


@dataclass(frozen=True, slots=True)
class Gap:
    """Something a form lacks. fields: their names in the form; words: what they are called at the chair.
    site_index: the site it lacks them for, None for the order as a whole."""

    fields: tuple[str, ...]
    words: tuple[str, ...]
    site_index: int | None = None


def gaps_in(form: CaseForm) -> tuple[Gap, ...]:
    """Everything missing: the order in one gap, one per site, one per record that nothing replaces."""
    found = [_order_gap(form)]
    found += [_site_gap(index, site) for index, site in enumerate(form.sites)]
    return tuple(gap for gap in (*found, *_record_gaps(form)) if gap.fields)


def _order_gap(form: CaseForm) -> Gap:
    lacking = {name: words for name, words in _ORDER.items() if getattr(form, name) is None}
    prescriber = form.prescriber or Prescriber()
    lacking |= {f"prescriber.{name}": w for name, w in _PRESCRIBER.items() if not getattr(prescriber, name)}
    if not any(site.loaded for site in form.sites):
        lacking["sites"] = "the implants that will carry the bridge"
    return Gap(tuple(lacking), tuple(lacking.values()))


def _site_gap(index: int, site: Site) -> Gap:
    lacking = {} if site.tooth else {"tooth": "the tooth code"}
    if site.loaded and not site.scan_body:
        lacking["scan_body"] = "which scan body stood on it"
    if site.loaded and site.seat_confirmed is None:
        lacking["seat_confirmed"] = "how the seat of its abutment and scan body was confirmed"
    return Gap(tuple(lacking), tuple(lacking.values()), index)


def _record_gaps(form: CaseForm) -> list[Gap]:
    roles = {record.role for record in form.records}
    found = []
    if Role.JAW not in roles and not {Role.DENTURE, Role.MARKERS} <= roles:
        words = f"the {Role.JAW.words}, or a {Role.DENTURE.words} together with the {Role.MARKERS.words}"
        found.append(Gap((f"records.{Role.JAW.value}",), (words,)))
    if Role.OPPOSING not in roles and form.paired_case is None:
        found.append(Gap((f"records.{Role.OPPOSING.value}",), (f"the {Role.OPPOSING.words}",)))
    return found

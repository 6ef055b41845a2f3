"""From a case form, as saved or as just typed, to the page that shows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from enum import StrEnum
from zoneinfo import ZoneInfo

from server.records.case_form import (
    CaseForm,
    Connection,
    Material,
    OpposingDentition,
    Prosthesis,
    SeatConfirmed,
)
from server.records.teeth import Arch, Numbering
from server.web.pages.fields import FieldView, local_input
from server.web.pages.form.page import FormSection, SiteView
from server.web.pages.form.typed import ATTESTED, NUMBERS, PLAIN, SITE_NUMBERS, SITE_PLAIN, site_rows
from server.web.pages.parts import OptionView

WORDS: dict[StrEnum, str] = {
    Arch.UPPER: "Upper jaw",
    Arch.LOWER: "Lower jaw",
    Numbering.FDI: "FDI (11–48)",
    Numbering.UNIVERSAL: "Universal (1–32)",
    Prosthesis.PROVISIONAL: "Provisional",
    Prosthesis.DEFINITIVE: "Definitive",
    Prosthesis.TRY_IN: "Try-in",
    Material.PMMA_MILLED: "Milled PMMA",
    Material.PRINTED_RESIN: "Printed resin",
    Material.ZIRCONIA: "Zirconia",
    Material.METAL_ACRYLIC: "Metal and acrylic",
    Connection.DIRECT: "Direct to the abutment",
    Connection.TITANIUM_BASE: "On titanium bases",
    OpposingDentition.NATURAL: "Natural teeth",
    OpposingDentition.FIXED: "Fixed crowns or bridges",
    OpposingDentition.DENTURE: "Denture",
    OpposingDentition.IMPLANT_BRIDGE: "Bridge on implants",
    OpposingDentition.EDENTULOUS: "No teeth",
    SeatConfirmed.RADIOGRAPH: "By radiograph",
    SeatConfirmed.TACTILE: "By touch",
    SeatConfirmed.NO: "Not yet",
}
BODY_LIST = "bodies"
MOST_NAMED = 6
"""Bodies named beside the field; of more the list is left to speak."""
ATTESTED_WORDS = {
    "bite_checked_in_mouth": "The bite was checked in the mouth",
    "denture_seat_checked": "The denture was seated fully when the bite was taken",
    "marks_unmoved": "The skin marks were not moved between readings",
    "bodies_torqued": "The scan bodies were tightened as their maker asks",
}


def values_of(form: CaseForm, zone: ZoneInfo) -> dict[str, str]:
    """A saved form as the text of its fields."""
    data = form.model_dump(mode="json", by_alias=True)
    values = {name: _text(_at(data, name)) for name in (*PLAIN, *NUMBERS)}
    values["needed_by"] = local_input(form.needed_by, zone)
    values["vertical.repeats_mm"] = "  ".join(
        f"{r:g}" for r in (form.vertical.repeats_mm if form.vertical else ())
    )
    values |= {
        f"attested.{name}": "yes" for name in ATTESTED if form.attested and getattr(form.attested, name)
    }
    if form.prescriber and form.prescriber.signed_at:
        values["prescriber.signed"] = "yes"
    for row, site in enumerate(data["sites"]):
        values |= {f"sites.{row}.{name}": _text(site.get(name)) for name in (*SITE_PLAIN, *SITE_NUMBERS)}
        if not site["loaded"]:
            values[f"sites.{row}.covered"] = "yes"
    return values


def _at(data: Mapping[str, object], path: str) -> object:
    here: object = data
    for step in path.split("."):
        here = here.get(step) if isinstance(here, Mapping) else None
    return here


def _text(value: object) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


class _Fields:
    """Fields filled from what was typed, with what is wrong beside them."""

    def __init__(self, values: Mapping[str, str], problems: Mapping[str, str]) -> None:
        self.values, self.problems = values, problems

    def text(
        self, name: str, label: str, hint: str = "", *, kind: str = "text", optional: bool = False
    ) -> FieldView:
        value, wrong = self.values.get(name, ""), self.problems.get(name, "")
        return FieldView(name, label, value, kind=kind, hint=hint, wrong=wrong, is_optional=optional)

    def number(
        self, name: str, label: str, unit: str, hint: str = "", *, optional: bool = False
    ) -> FieldView:
        value, wrong = self.values.get(name, ""), self.problems.get(name, "")
        return FieldView(name, label, value, "number", hint, wrong, unit, is_optional=optional)

    def choice(
        self, name: str, label: str, kinds: type[StrEnum], hint: str = "", *, kind: str = "choice"
    ) -> FieldView:
        chosen = self.values.get(name, "")
        options = tuple(OptionView(k.value, WORDS[k], k.value == chosen) for k in kinds)
        if kind == "select":
            options = (OptionView("", "Choose …", not chosen), *options)
        return FieldView(name, label, chosen, kind, hint, self.problems.get(name, ""), options=options)

    def check(self, name: str, label: str, hint: str = "") -> FieldView:
        return FieldView(name, label, self.values.get(name, ""), "check", hint, self.problems.get(name, ""))


def sections_of(
    values: Mapping[str, str], problems: Mapping[str, str], zone: ZoneInfo, bodies: tuple[str, ...] = ()
) -> tuple[FormSection, ...]:
    """The sections of the form in the order in which a clinic knows their content."""
    fields = _Fields(values, problems)
    parts = (
        _case(fields, zone),
        _vertical(fields),
        _sites(bodies),
        _bridge(fields),
        _handling(fields),
        _signing(fields),
    )
    return tuple(
        FormSection(i, p.id, p.title, p.says, p.fields, p.checks, p.is_sites)
        for i, p in enumerate(parts, start=1)
    )


def _case(f: _Fields, zone: ZoneInfo) -> FormSection:
    return FormSection(
        0,
        "case",
        "The case",
        "One conversion of one jaw. Use a patient code; never a name.",
        (
            f.text("patient_code", "Patient code", "As your own files know the patient, such as R-1042."),
            f.choice("working_arch", "Working jaw", Arch),
            f.choice(
                "numbering", "Tooth numbers", Numbering, "Some codes are valid in both systems, so say which."
            ),
            f.choice("prosthesis", "What is to be made", Prosthesis),
            f.choice("material", "Material", Material),
            f.choice("connection", "How it meets the abutments", Connection),
            f.choice("opposing_dentition", "Opposing jaw", OpposingDentition),
            f.text(
                "needed_by",
                "Needed by",
                f"When the patient is back in the chair ({zone.key}).",
                kind="datetime-local",
            ),
            f.text(
                "callback",
                "How the lab reaches the chair",
                "A room or extension; no patient’s number.",
                optional=True,
            ),
        ),
    )


def _vertical(f: _Fields) -> FormSection:
    return FormSection(
        0,
        "height",
        "Bite height",
        "Distance between two skin marks, nose tip and chin. Skin marks are uncertain by about a millimetre: read twice.",
        (
            f.number("vertical.reference_mm", "Before, teeth closed", "mm", "Before anaesthesia."),
            f.number("vertical.seated_mm", "With the relined denture seated", "mm"),
            f.number(
                "vertical.planned_change_mm",
                "Change you plan",
                "mm",
                "Plus opens the bite. Leave empty for none.",
                optional=True,
            ),
            f.text(
                "vertical.repeats_mm",
                "Repeat readings, seated",
                "In mm, a space between, such as 62.1 62.4.",
                optional=True,
            ),
        ),
    )


def _sites(bodies: tuple[str, ...]) -> FormSection:
    return FormSection(
        0,
        "implants",
        "Implants",
        f"One row for each implant, also for one that stays covered today. {_body_hint(bodies)}".strip(),
        (),
        is_sites=True,
    )


def _bridge(f: _Fields) -> FormSection:
    return FormSection(
        0,
        "bridge",
        "The bridge",
        "Leave out what the lab shall take from the denture.",
        (
            f.text("planned_teeth", "Teeth on the bridge", "First and last, such as 36-46.", optional=True),
            f.text("shade", "Shade", optional=True),
            f.number(
                "aesthetics.midline_mm",
                "Midline, from the denture’s",
                "mm",
                "Plus is to the patient’s left.",
                optional=True,
            ),
            f.number(
                "aesthetics.incisal_edge_mm",
                "Incisal edge, from the denture’s",
                "mm",
                "Plus is longer.",
                optional=True,
            ),
            f.number(
                "aesthetics.smile_line_mm",
                "Smile line, from the denture’s",
                "mm",
                "Plus is higher.",
                optional=True,
            ),
            f.text(
                "paired_case",
                "Patient code of the other jaw’s case",
                "Where both jaws are converted.",
                optional=True,
            ),
            f.text(
                "notes", "Anything else for the lab", "No names, no birth dates.", kind="long", optional=True
            ),
        ),
    )


def _handling(f: _Fields) -> FormSection:
    return FormSection(
        0,
        "handling",
        "Handling",
        "",
        (
            f.text("allergies", "Allergies to materials", kind="long", optional=True),
            f.text(
                "physical_items",
                "Items sent by hand",
                "What, disinfected with what, and for how long. Empty: none.",
                kind="long",
                optional=True,
            ),
        ),
    )


def _signing(f: _Fields) -> FormSection:
    checks = tuple(f.check(f"attested.{name}", words) for name, words in ATTESTED_WORDS.items())
    return FormSection(
        0,
        "signing",
        "Prescriber",
        "Confirm only what you looked at yourself; software cannot see a loose abutment or an unseated body.",
        (
            f.text("prescriber.name", "Prescribing dentist"),
            f.text("prescriber.licence", "Licence number"),
        ),
        (
            *checks,
            f.check(
                "prescriber.signed", "I prescribe this work", "Signed with the time at which you tick this."
            ),
        ),
    )


def sites_of(
    values: Mapping[str, str], problems: Mapping[str, str], bodies: tuple[str, ...] = ()
) -> tuple[SiteView, ...]:
    """A row for each implant typed so far. bodies: the ids in the lab's body catalogue."""
    f = _Fields(values, problems)
    return tuple(_site(f, row, number, bodies) for number, row in enumerate(site_rows(values), start=1))


def _body_hint(bodies: tuple[str, ...]) -> str:
    if not bodies:
        return ""
    known = ", ".join(bodies[:MOST_NAMED])
    return f"The lab has the scan bodies {known}{' and more: choose from the list' if len(bodies) > MOST_NAMED else ''}."


def _site(f: _Fields, row: int, number: int, bodies: tuple[str, ...]) -> SiteView:
    at = f"sites.{row}."
    body = f.text(at + "scan_body", "Scan body")
    return SiteView(
        row=row,
        number=number,
        tooth=f.text(at + "tooth", "Tooth"),
        scan_body=replace(body, list_id=BODY_LIST) if bodies else body,
        seat_confirmed=f.choice(at + "seat_confirmed", "Seat confirmed", SeatConfirmed, kind="select"),
        interface=f.text(at + "interface", "Interface", optional=True),
        abutment_angle_deg=f.number(at + "abutment_angle_deg", "Abutment angle", "°", optional=True),
        cuff_mm=f.number(at + "cuff_mm", "Cuff height", "mm", optional=True),
        torque_ncm=f.number(at + "torque_ncm", "Torque", "Ncm", optional=True),
        screw=f.text(at + "screw", "Screw", optional=True),
        covered=f.check(
            at + "covered", "Stays covered today", "A covered implant has no scan body and is not counted."
        ),
    )

"""The form and the measurements as the lab reads them: labels and words, nothing to type into."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from server.inspection.report import Report, case_measure
from server.measures.frames import JOINT, JointResult
from server.measures.markers import MARKERS
from server.records.case_form import CaseForm
from server.records.roles import Role
from server.rules.limit import unit_tail
from server.rules.numbers import figure
from server.web.pages.chair.numbers import furthest_position_mm
from server.web.pages.form.build import ATTESTED_WORDS, WORDS
from server.web.pages.review.page import FactRow, MeasureRow, SiteRow
from server.web.pages.words import time_view

NOT_SAID = "not said"
_UNITS = (
    ("_per_mm2", "per mm²"),
    ("_mm3", "mm³"),
    ("_mm2", "mm²"),
    ("_mm", "mm"),
    ("_deg", "°"),
    ("_bytes", "bytes"),
    ("_s", "s"),
)
_LONGEST = 12


def facts_of(form: CaseForm, zone: ZoneInfo) -> tuple[FactRow, ...]:
    """What the clinic wrote, apart from the implants."""
    vertical, prescriber, attested = form.vertical, form.prescriber, form.attested
    signed = prescriber.signed_at if prescriber else None
    confirmed = [words for name, words in ATTESTED_WORDS.items() if attested and getattr(attested, name)]
    pairs: list[tuple[str, str | None]] = [
        ("Working jaw", _word(form.working_arch)),
        ("Tooth numbers", _word(form.numbering)),
        ("To be made", _word(form.prosthesis)),
        ("Material", _word(form.material)),
        ("Connection", _word(form.connection)),
        ("Opposing jaw", _word(form.opposing_dentition)),
        ("Mark to mark, before", _mm(vertical.reference_mm if vertical else None)),
        ("Mark to mark, seated", _mm(vertical.seated_mm if vertical else None)),
        ("Change planned", _mm(vertical.planned_change_mm if vertical else None)),
        (
            "Repeat readings",
            " ".join(f"{r:g}" for r in vertical.repeats_mm) + " mm"
            if vertical and vertical.repeats_mm
            else None,
        ),
        ("Teeth on the bridge", form.planned_teeth),
        ("Shade", form.shade),
        ("The other jaw’s case", form.paired_case),
        ("Call back", form.callback),
        ("Allergies", form.allergies),
        ("Items sent by hand", form.physical_items or "none"),
        ("Prescriber", prescriber.name if prescriber else None),
        ("Licence", prescriber.licence if prescriber else None),
        ("Signed", time_view(signed, zone).words if signed else None),
        ("Confirmed by the clinic", "; ".join(confirmed) or None),
        ("Notes", form.notes),
    ]
    return tuple(FactRow(label, words or NOT_SAID) for label, words in pairs)


def sites_of(form: CaseForm) -> tuple[SiteRow, ...]:
    """The implants, one row each, as a table reads them."""
    return tuple(
        SiteRow(
            (
                site.tooth or "?",
                (site.scan_body or NOT_SAID) if site.loaded else "covered",
                _word(site.seat_confirmed) or NOT_SAID,
                _with_unit(site.abutment_angle_deg, "°"),
                _mm(site.cuff_mm) or "–",
                _with_unit(site.torque_ncm, " Ncm"),
                site.interface or "–",
                site.screw or "–",
            )
        )
        for site in form.sites
    )


def measures_of(report: Report | None) -> tuple[MeasureRow, ...]:
    """Every measurement of the report, its plain numbers readable, its lists by their length."""
    rows: list[MeasureRow] = []
    for name, made in (report.measures if report else {}).items():
        entries: Iterable[Mapping[str, Any]] = made if isinstance(made, list) else [made]
        for entry in entries:
            status = str(entry.get("status", "")).replace("_", " ")
            rows.append(MeasureRow(name, str(entry.get("record", "the case")), _numbers(entry), status))
    return tuple(rows)


def place_of(file_name: str, report: Report | None, roles: Mapping[str, Role]) -> str:
    """How a record came into the joint frame, in words; empty where it has no place in one, as a photo has none."""
    against = case_measure(report, MARKERS.name) or {}
    furthest_mm = furthest_position_mm(against) if against.get("record") == file_name else None
    if furthest_mm is not None:
        return (
            f"Its positions laid on those of the bodies in the jaw scan, at most {furthest_mm:.2f} mm apart."
        )
    made = case_measure(report, JOINT.name)
    if made is None:
        return ""
    joint = JointResult.model_validate(made)
    placed = joint.of(file_name)
    if placed is None:
        return ""
    if not placed.T_root_record:
        return f"Not in place: {placed.says}."
    if file_name == joint.root:
        return "The joint frame is this one’s."
    via = " and the ".join(dict.fromkeys(roles[file].words for file in placed.via if file in roles))
    way = "As it was delivered, checked" if placed.is_delivered else "Laid in place"
    by = f"against the {via or roles[joint.root].words}"
    return f"{way} {by}, ± {placed.u95_mm:.2f} mm at its far end."


def _numbers(entry: Mapping[str, Any]) -> tuple[FactRow, ...]:
    shown: list[FactRow] = []
    for name, value in entry.items():
        if name in ("record", "role", "status") or value is None:
            continue
        label, unit = _label(name)
        words = _words(value)
        if words and len(shown) < _LONGEST:
            shown.append(FactRow(label, f"{words}{unit_tail(unit)}"))
    return tuple(shown)


def _label(name: str) -> tuple[str, str]:
    for ending, unit in _UNITS:
        if name.endswith(ending):
            return name.removesuffix(ending).replace("_", " "), unit
    return name.removeprefix("n_").removesuffix("_ratio").replace("_", " "), ""


def _words(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return figure(float(value))
    if isinstance(value, str):
        return value[:80]
    if isinstance(value, list | tuple) and len(value) == 3 and all(isinstance(v, int | float) for v in value):
        return ", ".join(f"{v:.1f}" for v in value)
    if isinstance(value, list | tuple) and value:
        return f"{len(value)} entries"
    return ""


def _word(value: StrEnum | None) -> str | None:
    return WORDS[value] if value is not None else None


def _mm(value: float | None) -> str | None:
    return f"{value:g} mm" if value is not None else None


def _with_unit(value: float | None, unit: str) -> str:
    return f"{value:g}{unit}" if value is not None else "–"

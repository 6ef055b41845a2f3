"""The order of events at the chair: six stations, a place for each role, a gate after each that cannot be gone back on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from server.records.case_form import CaseForm, SeatConfirmed
from server.records.roles import Role
from server.rules.wording import sentence
from server.web.pages.chair.gates import (
    ALL_DONE,
    BITE_BROKEN,
    BODIES_OFF,
    MARKERS_OFF,
    Gate,
    GateEvidence,
    gate_view,
)
from server.web.pages.chair.page import FactView, RecordView, SlotView, StationView, StepView
from server.web.pages.parts import MISSING_TAG, OPTIONAL_TAG

MESH_ENDINGS = ".stl,.ply,.obj,.3mf,.zip"
_TAKES = {Role.MARKERS: MESH_ENDINGS + ",.csv,.json", Role.PHOTO: ".png,.jpg,.jpeg"}
_MANY = frozenset({Role.BITE, Role.BEFORE, Role.PHOTO})
_WANTED = frozenset({Role.JAW, Role.OPPOSING, Role.BITE, Role.DENTURE})
_HINTS = {
    Role.BEFORE: "Both jaws as they were; helps to check the bite height.",
    Role.PHOTO: "Anything the lab should see. No face that can be recognised.",
    Role.MARKERS: "The photogrammetry of the markers: a mesh, or a table of positions.",
    Role.JAW: "The working jaw with every scan body in place and caught all round.",
    Role.TISSUE: "The working jaw without scan bodies.",
    Role.OPPOSING: "The whole opposing jaw.",
    Role.BITE: "Both jaws closed, from the cheek side; left, right and front if you can.",
    Role.DENTURE: "The relined denture out of the mouth, scanned all round without a gap.",
}


@dataclass(frozen=True, slots=True)
class _Stop:
    title: str
    says: str
    roles: tuple[Role, ...]
    gate: Gate | None


_STOPS = (
    _Stop("Marks, and scans from before", "Before anaesthesia.", (Role.BEFORE, Role.PHOTO), None),
    _Stop(
        "Abutments torqued, seat confirmed",
        "Software cannot see an unseated body or a loose abutment: confirm by torque and radiograph.",
        (),
        None,
    ),
    _Stop("Implant positions", "Markers on, before the scan bodies.", (Role.MARKERS,), MARKERS_OFF),
    _Stop("Bodies, jaw and tissue", "", (Role.JAW, Role.TISSUE), BODIES_OFF),
    _Stop(
        "Reline, seated height, bite",
        "A scan does not prove that the bite was centric: check it in the mouth.",
        (Role.OPPOSING, Role.BITE),
        BITE_BROKEN,
    ),
    _Stop("Denture, all round", "", (Role.DENTURE,), ALL_DONE),
)


def steps_of(
    form: CaseForm, records: Mapping[Role, tuple[RecordView, ...]], evidence: GateEvidence, form_href: str
) -> tuple[StepView, ...]:
    """The rail: every station with its records, every gate as it stands."""
    steps: list[StepView] = []
    for number, stop in enumerate(_STOPS, start=1):
        slots = tuple(_slot(role, records.get(role, ()), form) for role in stop.roles)
        facts = _FACTS[number](form) if number in _FACTS else ()
        kind = _kind(slots, facts)
        steps.append(
            StepView(station=StationView(number, stop.title, stop.says, kind, facts, slots, form_href))
        )
        if stop.gate is not None:
            steps.append(StepView(gate=gate_view(stop.gate, evidence)))
    return tuple(steps)


def _slot(role: Role, records: tuple[RecordView, ...], form: CaseForm) -> SlotView:
    is_wanted = role in _WANTED and not (role is Role.OPPOSING and form.paired_case)
    return SlotView(
        role=role.value,
        name=sentence(role.words),
        hint=_HINTS[role],
        tag=MISSING_TAG if is_wanted else OPTIONAL_TAG,
        records=records,
        is_wanted=is_wanted,
        may_add=not records or role in _MANY,
        takes=_TAKES.get(role, MESH_ENDINGS),
    )


def _kind(slots: tuple[SlotView, ...], facts: tuple[FactView, ...]) -> str:
    kinds = [record.kind for slot in slots for record in slot.records]
    if "return" in kinds:
        return "trouble"
    is_missing = any(slot.is_wanted and not slot.records for slot in slots) or any(
        f.is_missing for f in facts
    )
    is_begun = bool(kinds) or bool(facts)
    return "done" if is_begun and not is_missing and "measuring" not in kinds else "open"


def _marks(form: CaseForm) -> tuple[FactView, ...]:
    return (_height("Mark to mark, before", form.vertical.reference_mm if form.vertical else None),)


def _seats(form: CaseForm) -> tuple[FactView, ...]:
    loaded = [site for site in form.sites if site.loaded]
    if not loaded:
        return (FactView("Implants", "write them down", is_missing=True),)
    by_radiograph = sum(1 for site in loaded if site.seat_confirmed is SeatConfirmed.RADIOGRAPH)
    unconfirmed = sum(1 for site in loaded if site.seat_confirmed in (None, SeatConfirmed.NO))
    teeth = ", ".join(site.tooth or "?" for site in loaded)
    return (
        FactView("Implants with a scan body", f"{len(loaded)} ({teeth})"),
        FactView("Seat by radiograph", f"{by_radiograph} of {len(loaded)}", is_missing=unconfirmed > 0),
    )


def _seated(form: CaseForm) -> tuple[FactView, ...]:
    vertical = form.vertical
    facts = [_height("Mark to mark, seated", vertical.seated_mm if vertical else None)]
    if vertical and vertical.reference_mm and vertical.seated_mm:
        change = vertical.seated_mm - vertical.reference_mm
        facts.append(
            FactView("Opened by", f"{change:+.1f} mm (planned {vertical.planned_change_mm:+.1f} mm)")
        )
    return tuple(facts)


def _height(label: str, height_mm: float | None) -> FactView:
    if height_mm is None:
        return FactView(label, "write it down", is_missing=True)
    return FactView(label, f"{height_mm:g} mm")


_FACTS = {1: _marks, 2: _seats, 5: _seated}

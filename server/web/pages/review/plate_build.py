"""From a report to the plate: nothing is measured here, everything is carried into the joint frame."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator, Sequence

import numpy as np

from server.cases.lookup import CaseView
from server.cases.tables import Record
from server.explain.coverage import CoverageFigure
from server.inspection.drawn import DRAWN_ROLES
from server.inspection.report import Report, case_measure
from server.measures.markers import MARKERS
from server.metrology.preview.thinning import REVISION
from server.metrology.rigid import inverse, turn
from server.records.roles import Role, role_rank
from server.records.teeth import Arch
from server.rules.finding import Finding
from server.rules.limit import Level
from server.rules.wording import sentence
from server.web.pages.reasons import anchor_of
from server.web.pages.review.in_space import InSpace, in_space, rows, triple
from server.web.pages.review.plate import (
    Bite,
    FoundPlace,
    GapMark,
    GapSheet,
    Layer,
    Mouth,
    Plate,
    Triple,
)
from server.web.pages.review.plate_sites import bodies_of, seats_of, shifts_of

ALONE, UNDER, OVER = 1.0, 0.0, 0.45
"""Shares of ink at first: what is worked from is whole, what would hide it is left out, the denture lets it through."""
SHOWN = {Role.JAW: ALONE, Role.OPPOSING: ALONE, Role.DENTURE: OVER}
ABOVE_SEAT_MM = 4.0
"""Where a finding names a site, its place is so far up the axis of the body there."""
NOT_DRAWN = "No picture of it yet: it is being made, or the file shows no surface."
TABLE = "They came as a table. Where they were laid on the jaw scan, they are shown as axes under “Scan bodies and positions”."
NOT_LAID = "Not laid with the others"


def plate_of(view: CaseView, report: Report | None, drawn: Collection[str]) -> Plate:
    """The plate of a case as it stands. drawn: ids of the records that have a preview."""
    space = in_space(report)
    records = {r.file_name: r for r in view.records if r.role in DRAWN_ROLES}
    return Plate(
        stamp=stamp_of(view, report, drawn),
        says=_frame_words(space, records),
        mouth=_mouth(space, view),
        layers=tuple(_layers(view, space, list(records.values()), drawn)),
        bodies=tuple(bodies_of(space, records)),
        seats=tuple(seats_of(space, view)),
        shifts=tuple(shifts_of(space)),
        enlargement=space.figures.positions.enlargement if space.figures.positions else 1,
        bite=_bite(space, records),
        places=_places(space, records),
    )


def stamp_of(view: CaseView, report: Report | None, drawn: Collection[str]) -> str:
    """Changes with whatever a plate of this case would show."""
    records = [[r.id, r.sha256, r.unit.value, r.role and r.role.value, r.id in drawn] for r in view.records]
    text = json.dumps([records, report.judged_at if report else ""])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _frame_words(space: InSpace, records: dict[str, Record]) -> str:
    root = records.get(space.root)
    if root is None or root.role is None:
        return "The records have not been laid together; each is shown by itself, in the frame of its file."
    return f"In the frame of the {root.role.words}."


def _layers(
    view: CaseView, space: InSpace, records: Sequence[Record], drawn: Collection[str]
) -> Iterator[Layer]:
    seen: dict[Role, int] = {}
    many = {r.role for r in records if sum(o.role is r.role for o in records) > 1}
    yet = "" if space.report else " yet"
    has_jaw = any(r.role is Role.JAW for r in records)
    for record in sorted(records, key=lambda r: role_rank(r.role)):
        role = record.role
        assert role is not None
        seen[role] = seen.get(role, 0) + 1
        name = sentence(role.words) + (f" {seen[role]}" if role in many else "")
        T = space.motions.get(record.file_name)
        is_there = record.id in drawn
        why = space.why_not.get(record.file_name, "")
        apart = f"{NOT_LAID}: {why}." if why else f"{NOT_LAID}{yet}."
        shown = ALONE if role is Role.TISSUE and not has_jaw else SHOWN.get(role, UNDER)
        yield Layer(
            id=record.id,
            role=role.value,
            name=name,
            href=_href(view, record) if is_there else "",
            T_joint_record=rows(T) if T is not None else (),
            says=_lacks(space, role) if not is_there else apart if T is None else "",
            shown=shown if T is not None else UNDER,
        )


def _lacks(space: InSpace, role: Role) -> str:
    """Why there is no preview of a record."""
    is_table = role is Role.MARKERS and (case_measure(space.report, MARKERS.name) or {}).get(
        "is_table", False
    )
    return TABLE if is_table else NOT_DRAWN


def _href(view: CaseView, record: Record) -> str:
    """An address that changes with what lies there."""
    of = f"{record.sha256[:12]}-{record.unit.value}-{REVISION}"
    return f"/cases/{view.case.id}/records/{record.id}/preview?of={of}"


def _mouth(space: InSpace, view: CaseView) -> Mouth | None:
    mouth = space.mouth
    if mouth is None or mouth.left is None:
        return None
    return Mouth(mouth.left, mouth.front, mouth.occlusal, view.form.working_arch is Arch.UPPER)


def _bite(space: InSpace, records: dict[str, Record]) -> Bite | None:
    contact, relation = space.contact, space.relation
    if contact is None or relation is None or not space.figures.bite:
        return None
    T_plan_working = np.array(contact["T_plan_working"])
    T_root_working = np.array(relation.T_root_working)
    toward = triple(turn(T_root_working, np.array([relation.occlusal]))[0])
    away: Triple = (-toward[0], -toward[1], -toward[2])
    sheets = tuple(
        GapSheet(
            layer=records[figure.record].id,
            name=sentence(figure.role.words),
            low_mm=figure.low_mm,
            cell_mm=figure.cell_mm,
            columns=figure.columns,
            gap_um_b64=figure.gap_um_b64,
            toward=toward if figure.record == relation.working else away,
            says=figure.says,
        )
        for figure in space.figures.bite
        if figure.record in records
    )
    told = [(c["at_mm"], c["gap_mm"]) for c in contact["contacts"]]
    told += [(r["least_at_mm"], r["least_mm"]["value"]) for r in contact["regions"] if r["least_at_mm"]]
    marks = tuple(GapMark(space.place(relation.working, _point(at)), float(gap)) for at, gap in told)
    return Bite(rows(T_plan_working @ inverse(T_root_working)), sheets, marks)


def _point(values: Sequence[float]) -> Triple:
    x, y, z = values
    return x, y, z


def _places(space: InSpace, records: dict[str, Record]) -> dict[str, FoundPlace]:
    found = space.report.findings if space.report else ()
    places = {anchor_of(finding): _place(space, finding, records) for finding in found}
    return {anchor: place for anchor, place in places.items() if place is not None}


def has_place(finding: Finding, report: Report | None) -> bool:
    """Whether the plate can show where a finding points: it names a place, or a site at which a body was found."""
    return bool(finding.where) or _seat_of(finding, report) is not None


def _place(space: InSpace, finding: Finding, records: dict[str, Record]) -> FoundPlace | None:
    if finding.where:
        first = finding.where[0]
        file, point = first.record, first.point_mm
    else:
        figure = _seat_of(finding, space.report)
        if figure is None:
            return None
        file = figure.record
        point = triple(np.array(figure.seat_mm) + ABOVE_SEAT_MM * np.array(figure.axis))
    record = records.get(file)
    if record is None:
        return None
    is_apart = file not in space.motions
    return FoundPlace(space.place(file, point), record.id, is_apart, finding.says)


def _seat_of(finding: Finding, report: Report | None) -> CoverageFigure | None:
    """The body at the first site that a finding names, in the first of its records that shows one."""
    if report is None or not finding.site_index or finding.level is Level.CLEAR:
        return None
    at_site = [f for f in report.figures.coverage if f.site_index == finding.site_index[0]]
    own = [f for f in at_site if f.record in finding.records]
    return next(iter(own or at_site), None)

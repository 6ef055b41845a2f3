"""What a bite figure shows: how far one jaw's chewing surface stands from the other jaw, in plan, with contacts and numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.bite_contact import BiteContactResult, PlanSeen
from server.measures.bite_regions import Region
from server.metrology.bite.plan import unpacked
from server.metrology.rigid import apply
from server.records.roles import Role
from server.records.teeth import Arch
from server.rules.wording import listed, sentence

Floats = NDArray[np.float64]


class ContactMark(BaseModel):
    """plan_mm: on the plan, x to the patient's left, y to the front."""

    model_config = ConfigDict(frozen=True)

    region: Region
    plan_mm: tuple[float, float]
    area_mm2: float


class RegionRow(BaseModel):
    """The numbers of one stretch; None where the jaws are more than 3 mm apart there."""

    model_config = ConfigDict(frozen=True)

    region: Region
    least_mm: float | None
    u95_mm: float | None
    mean_mm: float | None
    contact_mm2: float


class BiteFigure(BaseModel):
    """Gaps over one chewing surface, + apart, - inside.

    Plan: x to the patient's left, y to the front, mm; low_mm: the middle of the first cell; gap_um_b64: rows of int16 in
    micrometres, -32768 where nothing faces the other jaw within 3 mm, little-endian, deflated (zlib), base64. record: whose
    surface is shown; is_upper: whether it is of the upper jaw, which has its front at the top of the page. deepest_mm: where
    the jaws stand deepest inside each other, on the plan.
    """

    model_config = ConfigDict(frozen=True)

    name: str
    record: str
    other: str
    role: Role
    is_upper: bool
    low_mm: tuple[float, float]
    cell_mm: float
    columns: int
    gap_um_b64: str
    contacts: tuple[ContactMark, ...]
    regions: tuple[RegionRow, ...]
    deepest_mm: tuple[float, float] | None
    says: str

    @property
    def gap_mm(self) -> Floats:
        """(rows, columns), NaN where there is nothing."""
        return unpacked(self.low_mm, self.columns, self.gap_um_b64).gap_mm


def bite_figures(told: BiteContactResult, role: Role, working_arch: Arch | None) -> tuple[BiteFigure, ...]:
    """The figures of the working surface and of the opposing one, each where it faces the other at all. role: of the
    working record."""
    is_upper = working_arch is Arch.UPPER
    shown = (
        (told.working_plan, told.working, told.opposing, role, is_upper),
        (told.opposing_plan, told.opposing, told.working, Role.OPPOSING, not is_upper),
    )
    return tuple(
        _figure(told, plan, record, other, shown_role, is_upper=upper)
        for plan, record, other, shown_role, upper in shown
        if plan is not None
    )


def _figure(
    told: BiteContactResult, plan: PlanSeen, record: str, other: str, role: Role, *, is_upper: bool
) -> BiteFigure:
    T = np.array(told.T_plan_working)
    deepest = told.pressed.at_mm if told.pressed.depth_mm.value > 0.0 else None
    return BiteFigure(
        name=f"bite-on-{role.value}",
        record=record,
        other=other,
        role=role,
        is_upper=is_upper,
        low_mm=plan.low_mm,
        cell_mm=plan.cell_mm,
        columns=plan.columns,
        gap_um_b64=plan.gap_um_b64,
        contacts=tuple(
            ContactMark(region=c.region, plan_mm=_place(T, c.at_mm), area_mm2=c.area_mm2)
            for c in told.contacts
        ),
        regions=tuple(
            RegionRow(
                region=seen.region,
                least_mm=seen.least_mm.value if seen.least_mm else None,
                u95_mm=seen.least_mm.u95 if seen.least_mm else None,
                mean_mm=seen.mean_mm.value if seen.mean_mm else None,
                contact_mm2=seen.contact_mm2,
            )
            for seen in told.regions
        ),
        deepest_mm=None if deepest is None else _place(T, deepest),
        says=_says(told, role),
    )


def _place(T_plan_working: Floats, at_mm: tuple[float, float, float]) -> tuple[float, float]:
    place = apply(T_plan_working, np.array([at_mm]))[0]
    return float(place[0]), float(place[1])


def _says(told: BiteContactResult, role: Role) -> str:
    """In sentences: which surface, the least gaps, the contacts, and how deep the jaws stand inside each other."""
    met = [seen for seen in told.regions if seen.contact_mm2 > 0.0]
    gaps = [
        f"{seen.region.words} {seen.least_mm.value:z.2f} mm"
        if seen.least_mm
        else f"{seen.region.words} over 3 mm"
        for seen in told.regions
    ]
    touch = "The jaws touch nowhere."
    if met:
        touch = f"They touch {listed([f'{s.region.words} over {s.contact_mm2:.0f} mm²' for s in met])}."
    deep = told.pressed.depth_mm.value
    inside = f" They stand inside each other by up to {deep:.2f} mm." if deep >= 0.005 else ""
    return f"{sentence(role.words)}: least gaps to the other jaw {listed(gaps)}. {touch}{inside}"

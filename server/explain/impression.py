"""What an impression figure shows: by how much the denture's impression side stands off the tissue or reaches into it, in
plan, with the places of most and the numbers."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.denture_laid import Laid
from server.measures.frames import JointResult
from server.measures.impression import ImpressionResult, PlanValues
from server.metrology.rigid import apply
from server.records.roles import Role
from server.records.teeth import Arch
from server.rules.wording import listed

Floats = NDArray[np.float64]


class DifferencePlace(BaseModel):
    """One of the places of most, on the plan. off_mm: + where the denture stands off, - where it reaches into the tissue;
    u95_mm: of that, 0 where it was not told."""

    model_config = ConfigDict(frozen=True)

    plan_mm: tuple[float, float]
    off_mm: float
    u95_mm: float = 0.0


class ImpressionFigure(BaseModel):
    """Differences over the impression side, + off, - inside.

    Plan: seen onto the working jaw's occlusal surface with the patient's right on the left of the page, x to the right and y
    upward on it, mm; low_mm: the middle of the first cell; rows: by rising y, micrometres, None where nothing was compared.
    record: the denture; tissue: what it was compared with, and its role. is_upper: of the working jaw, which then has its
    front at the top; is_side_known: whether front and sides are. half_mm, p95_mm: half of all and 95 % differ by less; u95_mm
    of both. places: the one of most first.
    """

    model_config = ConfigDict(frozen=True)

    name: str
    record: str
    tissue: str
    role: Role
    laid: Laid
    is_upper: bool
    is_side_known: bool
    low_mm: tuple[float, float]
    cell_mm: float
    rows: tuple[tuple[int | None, ...], ...]
    median_mm: float
    half_mm: float
    p95_mm: float
    u95_mm: float
    compared_ratio: float
    places: tuple[DifferencePlace, ...]
    says: str

    @property
    def off_mm(self) -> Floats:
        """(rows, columns), NaN where nothing was compared."""
        return np.array(self.rows, dtype=np.float64) / 1000.0


def impression_figure(
    told: ImpressionResult, joint: JointResult | None, role: Role, working_arch: Arch | None
) -> ImpressionFigure | None:
    """The figure of a comparison; None where nothing was compared. role: of what the denture was compared with."""
    plan = told.plan
    if plan is None or told.p95_mm is None or told.spread_mm is None or told.median_mm is None:
        return None
    return ImpressionFigure(
        name=f"impression-on-{role.value}",
        record=told.denture,
        tissue=told.tissue,
        role=role,
        laid=told.laid,
        is_upper=working_arch is Arch.UPPER,
        is_side_known=plan.is_side_known,
        low_mm=plan.low_mm,
        cell_mm=plan.step_mm,
        rows=plan.rows,
        median_mm=told.median_mm,
        half_mm=told.spread_mm,
        p95_mm=told.p95_mm,
        u95_mm=told.u95_mm or 0.0,
        compared_ratio=told.compared_ratio or 0.0,
        places=tuple(_places(told, plan, joint)),
        says=_says(told, role),
    )


def _places(told: ImpressionResult, plan: PlanValues, joint: JointResult | None) -> Iterator[DifferencePlace]:
    placed = joint.of(told.tissue) if joint is not None else None
    if placed is None or not placed.T_root_record:
        return
    T = placed.motion @ np.array(told.T_tissue_denture)
    axes = np.array([plan.right, plan.top])
    known = told.off_u95_mm or (0.0,) * len(told.off_mm)
    for at, off_mm, u95_mm in zip(told.off_at_mm, told.off_mm, known, strict=True):
        x, y = axes @ (apply(T, np.array([at]))[0] - np.array(plan.origin_mm))
        yield DifferencePlace(plan_mm=(float(x), float(y)), off_mm=off_mm, u95_mm=u95_mm)


def _says(told: ImpressionResult, role: Role) -> str:
    """In sentences: how much of the impression side lies how near, where it is off most, and which way."""
    most = listed([f"{off_words(off)} by {abs(off):.2f} mm" for off in told.off_mm])
    known = f", each ± {max(told.off_u95_mm):.2f} mm" if told.off_u95_mm else ""
    where = f" At the places of most it {most}{known}." if told.off_mm else ""
    return (
        f"Impression side of the denture against the {role.words}: 95 % of it differ by less than {told.p95_mm:.2f} mm, half "
        f"of it by less than {told.spread_mm:.2f} mm.{where}"
    )


def off_words(off_mm: float) -> str:
    return "stands off" if off_mm > 0.0 else "reaches into it"

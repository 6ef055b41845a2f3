"""Invented evidence figures for the pattern page."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.explain.bite import BiteFigure, ContactMark, RegionRow
from server.explain.coverage import CoverageFigure, Side
from server.explain.impression import DifferencePlace, ImpressionFigure
from server.explain.positions import PositionsFigure, SitePosition
from server.measures.bite_regions import Region
from server.measures.denture_laid import Laid
from server.metrology.bite.plan import CELL_MM, Plan
from server.records.roles import Role
from server.web.pages.pictures import PictureView, drawn


def pictures() -> tuple[PictureView, ...]:
    """A scan body caught on one side, positions of which one is off, an open bite, and a denture relined on a swelling."""
    shown = (_half_caught(), _one_off(), _open_bite(), _swollen())
    return tuple(PictureView(f"picture-{figure.name}", drawn(figure)) for figure in shown)


def _half_caught() -> CoverageFigure:
    turn = (0.17, 0.2, 0.2, 0.67, 1.0, 1.0, 1.0, 0.75)
    return CoverageFigure(
        name="sample-body",
        record="jaw.stl",
        role="jaw",
        number=1,
        site_index=0,
        tooth="33",
        body="rb-45",
        seat_mm=(0.0, 0.0, 0.0),
        axis=(0.0, 0.0, 1.0),
        clock=(1.0, 0.0, 0.0),
        coverage_ratio=0.62,
        by_eighth=turn,
        by_height=((None, *turn[1:]), turn, turn, turn, tuple(max(share, 0.9) for share in turn)),
        top_ratio=1.0,
        index_ratio=0.42,
        beneath_ratio=0.1,
        is_turn_known=True,
        outward_deg=87.0,
        weakest=1,
        missed_deg=80.0,
        missed_side=Side.OUTER,
        says="Scan body at 33, in jaw.stl: 62 % of what stands above the tissue was caught; missed most on its outer side "
        "(lip or cheek); of its weakest eighth, no. 1, 17 %; of its top 100 %; of its index mark 42 %.",
    )


def _one_off() -> PositionsFigure:
    places = {"36": (23.0, 9.0), "33": (9.0, -9.0), "43": (-9.0, -9.0), "46": (-23.0, 9.0)}
    return PositionsFigure(
        name="sample-positions",
        jaw="jaw.stl",
        record="markers.csv",
        is_front_up=False,
        is_side_known=True,
        sites=tuple(
            SitePosition(
                label=label,
                site_index=index,
                plan_mm=place,
                across_mm=(0.05, -0.19) if label == "33" else (0.0, 0.004),
                height_mm=-0.13 if label == "33" else 0.0,
                axis_deg=0.08,
                u95_mm=0.02,
                u95_axis_deg=0.17,
                is_named=label == "33",
            )
            for index, (label, place) in enumerate(places.items())
        ),
        fitted_by=("36", "43", "46"),
        enlargement=50,
        account="one site off",
        says="Site 33 is off: the jaw scan has it 0.24 mm from where the positions and all other sites put it.",
    )


def _open_bite() -> BiteFigure:
    """A bow of teeth that meet on the right and stand open on the left."""
    plan = _bow(step_mm=CELL_MM, inner_mm=19.0, outer_mm=27.0)
    gap_mm = 0.34 + 0.014 * plan.x + 0.12 * np.abs(plan.r - 23.0)
    packed = Plan(plan.low_mm, np.where(plan.is_on, gap_mm, np.nan)).packed
    rows = ((Region.LEFT, 0.66, 0.75, 0.0), (Region.RIGHT, 0.02, 0.10, 7.4), (Region.FRONT, 0.34, 0.45, 0.0))
    return BiteFigure(
        name="sample-bite",
        record="denture.stl",
        other="opposing.stl",
        role=Role.DENTURE,
        is_upper=True,
        low_mm=plan.low_mm,
        cell_mm=CELL_MM,
        columns=plan.x.shape[1],
        gap_um_b64=packed,
        contacts=(ContactMark(region=Region.RIGHT, plan_mm=(-23.0, 2.0), area_mm2=7.4),),
        regions=tuple(
            RegionRow(region=region, least_mm=least, u95_mm=0.04, mean_mm=mean, contact_mm2=area)
            for region, least, mean, area in rows
        ),
        deepest_mm=None,
        says="Denture: least gaps to the other jaw behind on the patient's left 0.66 mm, behind on the patient's right 0.02 mm "
        "and in front 0.34 mm. They touch behind on the patient's right over 7 mm².",
    )


def _swollen() -> ImpressionFigure:
    """A denture that stands off one half of the ridge and presses into one place of the other."""
    plan = _bow(step_mm=1.5, inner_mm=16.0, outer_mm=28.0)
    off_mm = 0.75 / (1.0 + np.exp(-plan.x / 4.0)) - 0.55 * np.exp(
        -((plan.x + 22.0) ** 2 + (plan.y - 8.0) ** 2) / 18.0
    )
    um = np.rint(1000.0 * off_mm).astype(int)
    return ImpressionFigure(
        name="sample-impression",
        record="denture.stl",
        tissue="tissue.stl",
        role=Role.TISSUE,
        laid=Laid.IMPRINTS,
        is_upper=True,
        is_side_known=True,
        low_mm=plan.low_mm,
        cell_mm=1.5,
        rows=tuple(
            tuple(int(v) if on else None for v, on in zip(row, is_on, strict=True))
            for row, is_on in zip(um, plan.is_on, strict=True)
        ),
        median_mm=0.31,
        half_mm=0.36,
        p95_mm=0.74,
        u95_mm=0.04,
        compared_ratio=0.97,
        places=(
            DifferencePlace(plan_mm=(25.0, 4.0), off_mm=0.76, u95_mm=0.12),
            DifferencePlace(plan_mm=(14.0, 22.0), off_mm=0.73, u95_mm=0.12),
            DifferencePlace(plan_mm=(-22.0, 8.0), off_mm=-0.54, u95_mm=0.12),
        ),
        says="Impression side of the denture against the tissue scan: 95 % of it differ by less than 0.74 mm, half of it by less "
        "than 0.36 mm. At the places of most it stands off by 0.76 mm, stands off by 0.73 mm and reaches into it by 0.54 mm.",
    )


@dataclass(frozen=True, slots=True)
class _Bow:
    """An arch on a grid: places (rows, columns), how far they are from its middle, and which lie on it."""

    low_mm: tuple[float, float]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    r: NDArray[np.float64]
    is_on: NDArray[np.bool_]


def _bow(*, step_mm: float, inner_mm: float, outer_mm: float) -> _Bow:
    """The bow of an upper jaw, open to the back."""
    low, high = (-30.0, -6.0), (30.0, 36.0)
    x, y = np.meshgrid(np.arange(low[0], high[0], step_mm), np.arange(low[1], high[1], step_mm))
    r = np.hypot(x, y / 1.15)
    is_on = (r > inner_mm) & (r < outer_mm) & (y > -4.0)
    return _Bow(low, x, y, r, is_on)

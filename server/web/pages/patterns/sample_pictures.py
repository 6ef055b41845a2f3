"""Invented evidence figures for the pattern page."""

from __future__ import annotations

from server.explain.coverage import CoverageFigure, Side
from server.explain.positions import PositionsFigure, SitePosition
from server.web.pages.pictures import PictureView, drawn


def pictures() -> tuple[PictureView, ...]:
    """A scan body caught on one side, and positions of which one is off."""
    return tuple(
        PictureView(f"picture-{figure.name}", drawn(figure)) for figure in (_half_caught(), _one_off())
    )


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

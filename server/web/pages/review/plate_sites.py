"""What the plate marks at the sites: scan bodies as found, positions that came as a table, where the two differ."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from server.cases.lookup import CaseView
from server.cases.tables import Record
from server.explain.coverage import CoverageFigure, percent
from server.measures.markers import MARKERS
from server.measures.sites import SITES
from server.web.pages.review.in_space import InSpace
from server.web.pages.review.plate import BodyMark, SeatMark, ShiftMark


def bodies_of(space: InSpace, records: dict[str, Record]) -> Iterator[BodyMark]:
    """The scan bodies that were found, in every record that shows some."""
    for figure in space.figures.coverage:
        record = records.get(figure.record)
        if record is None:
            continue
        yield BodyMark(
            layer=record.id,
            label=figure.tooth or f"no. {figure.number}",
            seat_mm=space.place(figure.record, figure.seat_mm),
            axis=space.direction(figure.record, figure.axis),
            clock=space.direction(figure.record, figure.clock),
            eighths=figure.by_eighth,
            coverage_ratio=figure.coverage_ratio,
            says=_body_words(space, figure),
        )


def _body_words(space: InSpace, figure: CoverageFigure) -> str:
    """The body's numbers in a line; its uncertainty where the report has it."""
    bodies = space.report.measures.get("bodies", []) if space.report else []
    own = [b for b in bodies if b["record"] == figure.record and tuple(b["seat_mm"]) == figure.seat_mm]
    known = (
        f", seat ± {own[0]['u95_position_mm']:.3f} mm, axis ± {own[0]['u95_axis_deg']:.2f}°" if own else ""
    )
    shares = " ".join(percent(share) for share in figure.by_eighth)
    return f"{percent(figure.coverage_ratio)} % caught; by eighths {shares}{known}"


def seats_of(space: InSpace, view: CaseView) -> Iterator[SeatMark]:
    """The rows of a table of positions, where it was laid on the jaw scan; named by their sites."""
    told, sites = space.told(MARKERS), space.told(SITES)
    if told is None or not told.is_table or told.record not in space.motions:
        return
    site_of = {pair.marker: sites.site_of(pair.body) for pair in told.pairs} if sites else {}
    for row, position in enumerate(told.markers):
        site = site_of.get(row)
        own = view.form.sites[site].tooth if site is not None and site < len(view.form.sites) else ""
        yield SeatMark(
            label=own or position.tooth or f"row {row + 1}",
            seat_mm=space.place(told.record, position.seat_mm),
            axis=space.direction(told.record, position.axis),
            says=f"position ± {position.u95_position_mm:.3f} mm, axis ± {position.u95_axis_deg:.2f}°",
        )


def shifts_of(space: InSpace) -> Iterator[ShiftMark]:
    """Where positions and jaw scan differ, by site."""
    figure = space.figures.positions
    for site in figure.sites if figure else ():
        if figure is None or site.seat_mm is None or site.shift_mm is None:
            continue
        long_mm = float(np.linalg.norm(site.shift_mm))
        yield ShiftMark(
            label=site.label,
            seat_mm=space.place(figure.jaw, site.seat_mm),
            shift_mm=space.direction(figure.jaw, site.shift_mm),
            says=f"{long_mm:.3f} mm ± {site.u95_mm:.3f} mm, axis {site.axis_deg:.2f}°",
        )

"""Every figure of a case as numbers, which finding rests on which, and the drawing of each."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.explain.bite import BiteFigure, bite_figures
from server.explain.bite_drawing import bite_drawing
from server.explain.coverage import CoverageFigure, coverage_figure
from server.explain.coverage_drawing import coverage_drawing
from server.explain.drawing import Drawing
from server.explain.impression import ImpressionFigure, impression_figure
from server.explain.impression_drawing import impression_drawing
from server.explain.png import png
from server.explain.positions import PositionsFigure, positions_figure
from server.explain.positions_drawing import positions_drawing
from server.explain.svg import svg
from server.measures.bite_contact import BITE_CONTACT
from server.measures.frames import JOINT
from server.measures.impression import IMPRESSION
from server.measures.markers import MarkersResult
from server.measures.sites import SITES, SitesResult
from server.records.roles import Role
from server.rules.body_evidence import BodyAt, bodies_in
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.finding import Finding
from server.rules.limit import Outcome
from server.rules.marker_evidence import matched

OF_BODIES = frozenset({"bodies/coverage", "bodies/fit", "bodies/wrong-kind", "surface/hole-at-body"})
OF_POSITIONS = frozenset({"markers/one-off", "markers/fit", "markers/span", "markers/axis", "markers/scale"})
OF_BITE = "bite/"
OF_IMPRESSION = "denture/impression-mismatch"
FOUND = frozenset({Outcome.FAILED, Outcome.DOUBTFUL})
NEAR_MM = 6.0
POSITIONS_NAME = "positions-against-jaw"

Floats = NDArray[np.float64]
Figure = CoverageFigure | PositionsFigure | BiteFigure | ImpressionFigure


class Figures(BaseModel):
    """The figures of a case, as numbers for whoever draws them. coverage: of each scan body found; positions: None where
    implant positions and jaw scan were not compared or go together in no one way. bite: the gaps between the jaws, over
    the working surface first, then over the opposing one. impression: None where the denture was laid on no scan of the jaw."""

    model_config = ConfigDict(frozen=True)

    coverage: tuple[CoverageFigure, ...] = ()
    positions: PositionsFigure | None = None
    bite: tuple[BiteFigure, ...] = ()
    impression: ImpressionFigure | None = None

    def __iter__(self) -> Iterator[Figure]:  # type: ignore[override]
        yield from self.coverage
        if self.positions is not None:
            yield self.positions
        yield from self.bite
        if self.impression is not None:
            yield self.impression

    def named(self, name: str) -> Figure | None:
        return next((figure for figure in self if figure.name == name), None)


def figures_of(case: CaseEvidence) -> Figures:
    """Every figure that the measurements of a case allow. No file is opened."""
    sites, told = case.result_or_none(SITES), _told(case)
    names: set[str] = set()
    coverage = [
        coverage_figure(
            _name(body, names), body, sites if sites and sites.record == record.file else None, _seats(bodies)
        )
        for role in (Role.JAW, Role.MARKERS)
        for record in case.of_roles([role])
        for bodies in [_bodies(record, case, sites, told)]
        for body in bodies
    ]
    return Figures(
        coverage=tuple(coverage),
        positions=_positions(case, sites, told),
        bite=_bite(case),
        impression=_impression(case),
    )


def figure_of(finding: Finding, figures: Figures) -> Figure | None:
    """The figure that shows what a finding rests on; None where nothing was found or no figure shows it."""
    if finding.outcome not in FOUND:
        return None
    if finding.rule in OF_POSITIONS:
        return figures.positions
    if finding.rule == OF_IMPRESSION:
        return figures.impression
    if finding.rule.startswith(OF_BITE):
        return next(iter(figures.bite), None)
    if finding.rule not in OF_BODIES:
        return None
    of_records = [f for f in figures.coverage if f.record in finding.records]
    at_site = [f for f in of_records if f.site_index is not None and f.site_index in finding.site_index]
    return next(iter(at_site), None) or next((f for f in of_records if _is_near(f, finding)), None)


def picture_of(finding: Finding, figures: Figures) -> str | None:
    """The file name of the picture that shows what a finding rests on."""
    figure = figure_of(finding, figures)
    return picture_name(figure) if figure is not None else None


def picture_name(figure: Figure) -> str:
    """What the figure is called as a file."""
    return f"{figure.name}.png"


@lru_cache(maxsize=256)
def drawing_of(figure: Figure) -> Drawing:
    """The figure drawn."""
    if isinstance(figure, BiteFigure):
        return bite_drawing(figure)
    if isinstance(figure, ImpressionFigure):
        return impression_drawing(figure)
    return coverage_drawing(figure) if isinstance(figure, CoverageFigure) else positions_drawing(figure)


@lru_cache(maxsize=256)
def svg_of(figure: Figure) -> str:
    """The figure as an SVG element."""
    return svg(drawing_of(figure))


def png_of(figure: Figure) -> bytes:
    """The figure as the bytes of a PNG file."""
    return png(drawing_of(figure))


def _told(case: CaseEvidence) -> MarkersResult | None:
    """The comparison, where positions and bodies go together in one way."""
    try:
        return matched(case)
    except Lacking:
        return None


def _bodies(
    record: RecordEvidence, case: CaseEvidence, sites: SitesResult | None, told: MarkersResult | None
) -> list[BodyAt]:
    """The bodies of a record by the form's order, those whose site is not known last. A body of the positions' mesh is at
    the site of the jaw's body that it goes with."""
    try:
        bodies = list(bodies_in(record, case))
    except Lacking:
        return []
    if told is not None and sites is not None and record.file == told.record and not told.is_table:
        site_of = {pair.marker: sites.site_of(pair.body) for pair in told.pairs}
        bodies = [_at_site(body, site_of.get(body.number), case) for body in bodies]
    return sorted(bodies, key=lambda b: (b.site_index is None, b.site_index or 0, b.number))


def _at_site(body: BodyAt, index: int | None, case: CaseEvidence) -> BodyAt:
    return replace(body, site_index=index, site=case.form.sites[index]) if index is not None else body


def _seats(bodies: list[BodyAt]) -> Floats:
    return np.array([body.seen.seat_mm for body in bodies], dtype=np.float64).reshape(-1, 3)


def _name(body: BodyAt, taken: set[str]) -> str:
    """A name fit for a file: letters, digits and strokes, whatever the tooth code holds; no two alike."""
    code = re.sub(r"[^A-Za-z0-9]+", "-", body.site.tooth).strip("-")[:12] if body.site else ""
    name = f"coverage-{body.record.role.value}-{code or f'body-{body.number + 1}'}"
    unique = name if name not in taken else f"{name}-body-{body.number + 1}"
    while unique in taken:
        unique += "-again"
    taken.add(unique)
    return unique


def _positions(
    case: CaseEvidence, sites: SitesResult | None, told: MarkersResult | None
) -> PositionsFigure | None:
    if told is None:
        return None
    jaw = next((record for record in case.records if record.file == told.jaw), None)
    bodies = {body.number: body for body in _bodies(jaw, case, sites, told)} if jaw else {}
    if any(pair.body not in bodies for pair in told.pairs):
        return None
    of_jaw = sites if sites is not None and sites.record == told.jaw else None
    return positions_figure(POSITIONS_NAME, told, bodies, of_jaw, case.form.working_arch)


def _bite(case: CaseEvidence) -> tuple[BiteFigure, ...]:
    told = case.result_or_none(BITE_CONTACT)
    if told is None:
        return ()
    role = next((r.role for r in case.records if r.file == told.working), Role.DENTURE)
    return bite_figures(told, role, case.form.working_arch)


def _impression(case: CaseEvidence) -> ImpressionFigure | None:
    told = case.result_or_none(IMPRESSION)
    if told is None:
        return None
    role = next((r.role for r in case.records if r.file == told.tissue), Role.TISSUE)
    return impression_figure(told, case.result_or_none(JOINT), role, case.form.working_arch)


def _is_near(figure: CoverageFigure, finding: Finding) -> bool:
    """Whether a place of the finding is at the body."""
    return any(
        place.record == figure.record
        and float(np.linalg.norm(np.subtract(place.point_mm, figure.seat_mm))) < NEAR_MM
        for place in finding.where
    )

"""The evidence figures of a report on a page: drawn into it, so that they take its ink in light and dark."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from server.explain.coverage import CoverageFigure
from server.explain.figures import Figure, Figures, figure_of, svg_of
from server.inspection.report import Report
from server.records.roles import Role
from server.rules.finding import Finding
from server.rules.wording import count_words, sentence


@dataclass(frozen=True, slots=True)
class PictureView:
    """A figure in its place. `svg` is empty where it stands elsewhere on the page, under the same id."""

    id: str
    svg: Markup


@dataclass(frozen=True, slots=True)
class PictureSet:
    """The figures of all scan bodies of one record. `is_open`: whether a finding rests on one of them."""

    id: str
    title: str
    pictures: tuple[PictureView, ...]
    is_open: bool


@dataclass(frozen=True, slots=True)
class EvidenceView:
    """Every figure of a case. `whole`: of the case itself; none where positions and jaw scan were not compared, the jaws not
    laid together, the denture laid on no scan of the jaw."""

    whole: tuple[PictureView, ...]
    sets: tuple[PictureSet, ...]


class Pictures:
    """The figures of a report, each handed out once, and after that by where it stands."""

    def __init__(self, report: Report | None) -> None:
        self._figures = report.figures if report else Figures()
        self._placed: set[str] = set()

    def of(self, finding: Finding) -> PictureView | None:
        """The picture of what a finding rests on; None where there is none."""
        figure = figure_of(finding, self._figures)
        if figure is None:
            return None
        is_placed = figure.name in self._placed
        self._placed.add(figure.name)
        return PictureView(_id(figure), Markup("") if is_placed else drawn(figure))


def picture_href(finding: Finding, report: Report | None) -> str:
    """Where the picture of a finding stands among all of the case; empty where it has none."""
    figure = figure_of(finding, report.figures) if report else None
    return f"#{_id(figure)}" if figure is not None else ""


def evidence_of(report: Report | None) -> EvidenceView:
    """Every figure of the report, the bodies by record."""
    figures = report.figures if report else Figures()
    asked = {figure_of(finding, figures) for finding in (report.findings if report else ())}
    records = list(dict.fromkeys(f.record for f in figures.coverage))
    return EvidenceView(
        whole=tuple(
            _picture(figure)
            for figure in (figures.positions, figures.impression, *figures.bite)
            if figure is not None
        ),
        sets=tuple(
            _set(number, [f for f in figures.coverage if f.record == record], asked)
            for number, record in enumerate(records)
        ),
    )


def drawn(figure: Figure) -> Markup:
    """The figure as an SVG element; all that came from outside is escaped in it."""
    return Markup(svg_of(figure))


def _set(number: int, figures: list[CoverageFigure], asked: set[Figure | None]) -> PictureSet:
    role = sentence(Role(figures[0].role).words)
    return PictureSet(
        id=f"bodies-{number}",
        title=f"{role}: {count_words(len(figures), 'scan body', 'scan bodies')}, how each was caught",
        pictures=tuple(_picture(figure) for figure in figures),
        is_open=any(figure in asked for figure in figures),
    )


def _picture(figure: Figure) -> PictureView:
    return PictureView(_id(figure), drawn(figure))


def _id(figure: Figure) -> str:
    return f"picture-{figure.name}"

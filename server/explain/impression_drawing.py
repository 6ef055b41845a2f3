"""An impression figure drawn: strokes the denser the more the denture differs from the tissue, rising where it stands off and
falling where it reaches in, lines of equal difference with their numbers, the places of most, and the numbers as a table."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, zoom

from server.explain.drawing import (
    Anchor,
    Box,
    Circle,
    Drawing,
    Mark,
    Spot,
    Tone,
    Words,
    clipped,
    paragraph,
)
from server.explain.impression import DifferencePlace, ImpressionFigure, off_words
from server.explain.plan_drawing import (
    FALLING,
    RISING,
    WIDTH,
    Band,
    Bands,
    Sheet,
    legend,
    plan_marks,
    sides_of_patient,
    smoothed,
)
from server.measures.denture_laid import Laid

FINER = 3
"""The plan is drawn in cells this much finer than it was measured in."""
EDGE_CELLS = 0.6
RING = 8.0
ROW = 18.0
LEFT, STEP = 16.0, 51.0
LONGEST_FILE = 30

DIFFERENCES = Bands(
    bands=(
        Band(-1.0, 3.2, (FALLING,), "over 1.0"),
        Band(-0.7, 4.8, (FALLING,), "to 1.0"),
        Band(-0.4, 7.2, (FALLING,), "to 0.7"),
        Band(-0.2, 10.8, (FALLING,), "to 0.4"),
        Band(0.2, 0.0, (), "within 0.2"),
        Band(0.4, 10.8, (RISING,), "to 0.4"),
        Band(0.7, 7.2, (RISING,), "to 0.7"),
        Band(1.0, 4.8, (RISING,), "to 1.0"),
        Band(np.inf, 3.2, (RISING,), "over 1.0"),
    ),
    levels_mm=(-1.0, -0.7, -0.4, -0.2, 0.2, 0.4, 0.7, 1.0),
    bold_mm=(-1.0, -0.4, 0.4, 1.0),
    form="+g",
)

Floats = NDArray[np.float64]


def sheet_of(figure: ImpressionFigure) -> Sheet:
    """The plan as seen onto the occlusal surface, its cells evened and made finer."""
    cell = figure.cell_mm / FINER
    low = tuple(v - 0.5 * (figure.cell_mm - cell) for v in figure.low_mm)
    return Sheet(_finer(figure.off_mm), (low[0], low[1]), cell, DIFFERENCES, is_y_up=True)


def _finer(values: Floats) -> Floats:
    """Values in cells FINER times as fine each way, evened between cells, NaN beyond a smooth edge."""
    is_there = _zoomed(gaussian_filter(np.isfinite(values).astype(float), EDGE_CELLS)) > 0.5
    return np.where(is_there, _zoomed(smoothed(values, EDGE_CELLS)), np.nan)


def _zoomed(values: Floats) -> Floats:
    return np.asarray(zoom(values, FINER, order=1, mode="nearest", grid_mode=True))


def impression_drawing(figure: ImpressionFigure) -> Drawing:
    """The figure on a sheet WIDTH wide."""
    sheet = sheet_of(figure)
    places = tuple(_places(figure, sheet))
    taken = [
        Box(m.middle.x, m.middle.y, m.middle.x, m.middle.y).wider(RING + 1.5)
        for m in places
        if isinstance(m, Circle)
    ]
    table = tuple(_table(figure, sheet.bottom + 62.0))
    says = paragraph(figure.says, 16.0, max(m.at.y for m in table) + 14.0, WIDTH - 32.0)
    sides = sides_of_patient(sheet, is_front_up=figure.is_upper) if figure.is_side_known else ()
    return Drawing(
        width=WIDTH,
        height=says[-1].at.y + 16.0,
        says=figure.says,
        marks=(
            *_heading(figure),
            *plan_marks(sheet, taken),
            *places,
            *sides,
            *_legend(sheet.bottom),
            *table,
            *says,
        ),
    )


def _heading(figure: ImpressionFigure) -> Iterator[Mark]:
    title = f"Impression side on the {figure.role.words} · {clipped(figure.record, LONGEST_FILE)}"
    how = "Seen onto the working jaw, bodies left out. Denser differs more; lines in mm, + off the tissue, - into it."
    yield Words(Spot(16.0, 20.0), title, 15.0, Anchor.START, is_bold=True)
    yield Words(Spot(16.0, 42.0), how, 9.5, Anchor.START, tone=Tone.SOFT)


def _places(figure: ImpressionFigure, sheet: Sheet) -> Iterator[Mark]:
    """A numbered ring at each place of most."""
    for number, place in enumerate(figure.places, 1):
        at = sheet.spot(*place.plan_mm)
        yield Circle(at, RING, 1.8)
        yield Words(at, str(number), 11.0, is_bold=True)


def _known(place: DifferencePlace) -> str:
    known = f" ± {place.u95_mm:.2f}" if place.u95_mm > 0.0 else ""
    return f"{abs(place.off_mm):.2f}{known} mm"


def _legend(top: float) -> Iterator[Mark]:
    yield from legend(DIFFERENCES, LEFT, top, STEP)
    for k, words in ((1.5, "reaches into the tissue, mm"), (6.5, "stands off the tissue, mm")):
        yield Words(Spot(LEFT + k * STEP + 0.35 * STEP, top + 42.0), words, 9.5)


def _table(figure: ImpressionFigure, top: float) -> Iterator[Words]:
    """What is measured on the left, the places of most on the right."""
    numbers = (
        ("95 % differ by less than", f"{figure.p95_mm:.2f} mm"),
        ("half of it, by less than", f"{figure.half_mm:.2f} mm"),
        ("U95 of both", f"{figure.u95_mm:.2f} mm"),
        ("median, signed", f"{round(figure.median_mm, 2) + 0.0:+.2f} mm"),
        ("of it compared", f"{100.0 * figure.compared_ratio:.0f} %"),
    )
    for k, (name, value) in enumerate(numbers):
        yield Words(Spot(16.0, top + ROW * k), name, 12.0, Anchor.START)
        yield Words(Spot(228.0, top + ROW * k), value, 12.0, Anchor.END)
    for k, place in enumerate(figure.places):
        y = top + ROW * k
        yield Words(Spot(264.0, y), f"{k + 1}  {off_words(place.off_mm)}", 12.0, Anchor.START)
        yield Words(Spot(464.0, y), _known(place), 12.0, Anchor.END)
    by = {
        Laid.IMPRINTS: "laid on the imprints of scan bodies",
        Laid.JOINT: "laid as the surfaces go together",
    }
    yield Words(Spot(264.0, top + ROW * 4), by.get(figure.laid, ""), 10.0, Anchor.START, tone=Tone.SOFT)

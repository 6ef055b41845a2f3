"""A bite figure drawn: the chewing surface in plan, strokes the denser the nearer the other jaw is, lines of equal gap with
their numbers, a ring about every contact, and the numbers of each stretch as a table."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from server.explain.bite import BiteFigure, RegionRow
from server.explain.drawing import (
    Anchor,
    Box,
    Circle,
    Drawing,
    Lines,
    Mark,
    Segment,
    Spot,
    Tone,
    Words,
    clipped,
    paragraph,
)
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
)
from server.measures.bite_regions import Region

RING = 5.0
SPARE = 7.5
ROW = 18.0
COLUMNS = (16.0, 210.0, 300.0, 380.0, 464.0)
HEADS = ("", "least gap mm", "U95", "mean mm", "contact mm²")
LONGEST_FILE = 30

GAPS = Bands(
    bands=(
        Band(-0.1, 4.0, (RISING, FALLING), "inside"),
        Band(0.1, 3.2, (RISING,), "to 0.1"),
        Band(0.3, 4.8, (RISING,), "to 0.3"),
        Band(0.6, 7.2, (RISING,), "to 0.6"),
        Band(1.0, 10.8, (RISING,), "to 1.0"),
        Band(2.0, 16.2, (RISING,), "to 2.0"),
        Band(np.inf, 0.0, (), "wider"),
    ),
    levels_mm=(-0.1, 0.1, 0.3, 0.6, 1.0, 2.0),
    bold_mm=(-0.1, 0.1),
)


def sheet_of(figure: BiteFigure) -> Sheet:
    """The patient's right is on the left of the page; an upper jaw has its front at the top, a lower one at the bottom."""
    return Sheet(figure.gap_mm, figure.low_mm, figure.cell_mm, GAPS, is_y_up=figure.is_upper)


def bite_drawing(figure: BiteFigure) -> Drawing:
    """The figure on a sheet WIDTH wide."""
    sheet = sheet_of(figure)
    rings = [sheet.spot(*c.plan_mm) for c in figure.contacts]
    deepest = tuple(_deepest(figure, sheet))
    taken = [Box(r.x - SPARE, r.y - SPARE, r.x + SPARE, r.y + SPARE) for r in rings]
    taken += [mark.box for mark in deepest if isinstance(mark, Words)]
    says = paragraph(figure.says, 16.0, sheet.bottom + 56.0 + ROW * (len(figure.regions) + 1), WIDTH - 32.0)
    return Drawing(
        width=WIDTH,
        height=says[-1].at.y + 16.0,
        says=figure.says,
        marks=(
            *_heading(figure),
            *plan_marks(sheet, taken),
            *(Circle(ring, RING, 1.8) for ring in rings),
            *deepest,
            *sides_of_patient(sheet, is_front_up=figure.is_upper),
            Words(Spot(16.0, sheet.bottom + 10.0), "gap, mm:", 10.0, Anchor.START),
            *legend(GAPS, 70.0, sheet.bottom, 58.0),
            *_table(figure.regions, sheet.bottom + 50.0),
            *says,
        ),
    )


def _heading(figure: BiteFigure) -> Iterator[Mark]:
    title = f"Gaps to the other jaw · {clipped(figure.record, LONGEST_FILE)}"
    how = "Seen onto the chewing surface. Nearer is denser; lines join equal gaps, in mm; a ring marks a contact."
    yield Words(Spot(16.0, 20.0), title, 15.0, Anchor.START, is_bold=True)
    yield Words(Spot(16.0, 42.0), how, 9.5, Anchor.START, tone=Tone.SOFT)


def _deepest(figure: BiteFigure, sheet: Sheet) -> Iterator[Mark]:
    """A cross where the jaws stand deepest inside each other, named beside the arch."""
    if figure.deepest_mm is None:
        return
    at = sheet.spot(*figure.deepest_mm)
    outward = 1.0 if at.x > sheet.centre.x else -1.0
    yield Lines(tuple(Segment(at.at(a, -9.0), at.at(a, 9.0)) for a in (45.0, 135.0)), 2.2)
    beside = Spot(at.x + outward * 62.0, at.y)
    yield Lines((Segment(Spot(at.x + outward * 10.0, at.y), Spot(at.x + outward * 36.0, at.y)),), 1.0)
    yield Words(beside, "deepest", 10.0, is_bold=True)


def _table(rows: tuple[RegionRow, ...], top: float) -> Iterator[Mark]:
    for x, head in zip(COLUMNS, HEADS, strict=True):
        yield Words(Spot(x, top), head, 10.0, Anchor.START if x < 100.0 else Anchor.END, tone=Tone.SOFT)
    for k, row in enumerate(rows):
        y = top + ROW * (k + 1)
        cells = (_number(row.least_mm), _number(row.u95_mm), _number(row.mean_mm), f"{row.contact_mm2:.1f}")
        words = "front" if row.region is Region.FRONT else f"behind, patient's {row.region.value}"
        yield Words(Spot(COLUMNS[0], y), words, 12.0, Anchor.START)
        for x, cell in zip(COLUMNS[1:], cells, strict=True):
            yield Words(Spot(x, y), cell, 12.0, Anchor.END)


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:z.2f}"

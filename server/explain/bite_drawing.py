"""A bite figure drawn: the chewing surface in plan, strokes the denser the nearer the other jaw is, lines of equal gap with
their numbers, a ring about every contact, and the numbers of each stretch as a table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from server.explain.bite import BiteFigure, RegionRow
from server.explain.drawing import (
    Anchor,
    Box,
    Circle,
    Drawing,
    Lines,
    Mark,
    Segment,
    Shape,
    Spot,
    Tone,
    Words,
    clipped,
    paragraph,
)
from server.explain.hatching import runs_in
from server.measures.bite_regions import Region

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

WIDTH = 480.0
PLAN_TOP = 66.0
MARGIN = 30.0
MOST_PER_MM = 7.5
SAMPLE = 1.0
SHORTEST = 2.0
RING = 5.0
SPARE = 7.5
ROW = 18.0
COLUMNS = (16.0, 210.0, 300.0, 380.0, 464.0)
HEADS = ("", "least gap mm", "U95", "mean mm", "contact mm²")
BLUR_CELLS = 0.8
SHORTEST_LINE, LINE_WITH_NUMBER = 10.0, 45.0
LONGEST_FILE = 30


@dataclass(frozen=True, slots=True)
class Band:
    """A range of gaps and its strokes. most_mm: gaps below this, down to the band before. Each band holds about half as
    much ink again as the next wider one, so that equal steps look equal."""

    most_mm: float
    spacing: float
    is_crossed: bool
    words: str


BANDS = (
    Band(-0.1, 4.0, True, "inside"),
    Band(0.1, 3.2, False, "to 0.1"),
    Band(0.3, 4.8, False, "to 0.3"),
    Band(0.6, 7.2, False, "to 0.6"),
    Band(1.0, 10.8, False, "to 1.0"),
    Band(2.0, 16.2, False, "to 2.0"),
    Band(np.inf, 0.0, False, "wider"),
)
LEVELS_MM = (-0.1, 0.1, 0.3, 0.6, 1.0, 2.0)


def band_of(gap_mm: Floats) -> Ints:
    """Which band each gap belongs to; one past the last where there is none."""
    edges = np.array([band.most_mm for band in BANDS[:-1]])
    return np.where(np.isfinite(gap_mm), np.searchsorted(edges, gap_mm, side="left"), len(BANDS))


def _find_contours(*asked: Any, **how: Any) -> list[Floats]:
    """Lines of equal value (skimage), loaded at the first drawing: a command that draws nothing need not wait for it."""
    from skimage.measure import find_contours

    made: list[Floats] = find_contours(*asked, **how)  # type: ignore[no-untyped-call]
    return made


class Sheet:
    """Where a place of the plan comes to lie on the sheet. The patient's right is on the left of the page; an upper jaw has
    its front at the top, a lower one at the bottom."""

    def __init__(self, figure: BiteFigure) -> None:
        self.gap_mm = figure.gap_mm
        rows, columns = self.gap_mm.shape
        self.low, self.cell = np.array(figure.low_mm), figure.cell_mm
        self.size = np.array([columns - 1, rows - 1]) * self.cell
        self.per_mm = min((WIDTH - 2.0 * MARGIN) / max(float(self.size[0]), 1.0), MOST_PER_MM)
        self.up = 1.0 if figure.is_upper else -1.0
        self.middle = self.low + 0.5 * self.size
        self.height = float(self.size[1]) * self.per_mm + 2.0 * MARGIN
        self.centre = Spot(0.5 * WIDTH, PLAN_TOP + 0.5 * self.height)

    def spot(self, x_mm: float, y_mm: float) -> Spot:
        return Spot(
            self.centre.x + (x_mm - float(self.middle[0])) * self.per_mm,
            self.centre.y - self.up * (y_mm - float(self.middle[1])) * self.per_mm,
        )

    def of_cells(self, rows: Floats, columns: Floats) -> tuple[Spot, ...]:
        x, y = self.low[0] + columns * self.cell, self.low[1] + rows * self.cell
        return tuple(self.spot(float(a), float(b)) for a, b in zip(x, y, strict=True))

    def bands_at(self, x: Floats, y: Floats) -> Ints:
        """The band at points of the sheet."""
        across = (x - self.centre.x) / self.per_mm + self.middle[0] - self.low[0]
        front = self.up * (self.centre.y - y) / self.per_mm + self.middle[1] - self.low[1]
        column, row = np.rint(across / self.cell).astype(int), np.rint(front / self.cell).astype(int)
        rows, columns = self.gap_mm.shape
        is_on = (column >= 0) & (row >= 0) & (column < columns) & (row < rows)
        bands = band_of(self.gap_mm)
        return np.where(is_on, bands[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)], len(BANDS))


def bite_drawing(figure: BiteFigure) -> Drawing:
    """The figure on a sheet WIDTH wide."""
    sheet = Sheet(figure)
    below = PLAN_TOP + sheet.height
    rings = [sheet.spot(*c.plan_mm) for c in figure.contacts]
    deepest = tuple(_deepest(figure, sheet))
    taken = [Box(r.x - SPARE, r.y - SPARE, r.x + SPARE, r.y + SPARE) for r in rings]
    taken += [mark.box for mark in deepest if isinstance(mark, Words)]
    runs = list(_contours(sheet))
    numbers = _numbers(runs, taken)
    spare = [*taken, *(n.box.wider(1.0) for n in numbers)]
    says = paragraph(figure.says, 16.0, below + 56.0 + ROW * (len(figure.regions) + 1), WIDTH - 32.0)
    return Drawing(
        width=WIDTH,
        height=says[-1].at.y + 16.0,
        says=figure.says,
        marks=(
            *_heading(figure),
            *_strokes(sheet, spare),
            *_edges(sheet),
            *(piece for run in runs for piece in _outside(run, spare)),
            *numbers,
            *(Circle(ring, RING, 1.8) for ring in rings),
            *deepest,
            *_sides(sheet, figure),
            *_legend(below),
            *_table(figure.regions, below + 50.0),
            *says,
        ),
    )


def _heading(figure: BiteFigure) -> Iterator[Mark]:
    title = f"Gaps to the other jaw · {clipped(figure.record, LONGEST_FILE)}"
    how = "Seen onto the chewing surface. Nearer is denser; lines join equal gaps, in mm; a ring marks a contact."
    yield Words(Spot(16.0, 20.0), title, 15.0, Anchor.START, is_bold=True)
    yield Words(Spot(16.0, 42.0), how, 9.5, Anchor.START, tone=Tone.SOFT)


def _strokes(sheet: Sheet, spare: list[Box]) -> Iterator[Lines]:
    """The filling of every band, leaving out the boxes."""
    box = Box(0.0, PLAN_TOP, WIDTH, PLAN_TOP + sheet.height)
    for number, band in enumerate(BANDS):
        if band.spacing <= 0.0:
            continue
        slopes = (1.0, -1.0) if band.is_crossed else (1.0,)
        made = tuple(s for slope in slopes for s in _hatching(sheet, number, band.spacing, slope, box, spare))
        if made:
            yield Lines(made, 0.8)


def _hatching(
    sheet: Sheet, number: int, spacing: float, slope: float, box: Box, spare: list[Box]
) -> Iterator[Segment]:
    """Strokes at 45° wherever the sheet shows that band."""
    c = np.array([0.5 * (box.left + box.right), 0.5 * (box.top + box.bottom)])
    reach = float(np.hypot(box.right - box.left, box.bottom - box.top)) / 2.0
    along, across = np.array([1.0, -slope]) / np.sqrt(2.0), np.array([slope, 1.0]) / np.sqrt(2.0)
    t, u = np.arange(-reach, reach, SAMPLE), np.arange(-reach, reach, spacing)
    points = c + t[None, :, None] * along + u[:, None, None] * across
    x, y = points[..., 0], points[..., 1]
    is_in = sheet.bands_at(x, y) == number
    for b in spare:
        is_in &= ~((x > b.left) & (x < b.right) & (y > b.top) & (y < b.bottom))
    for line, inside in zip(points, is_in, strict=True):
        for start, end in runs_in(inside, SHORTEST / SAMPLE):
            yield Segment(_spot(line[start]), _spot(line[end]))


@dataclass(frozen=True, slots=True)
class Run:
    """One line of equal gap."""

    level_mm: float
    spots: tuple[Spot, ...]

    @property
    def length(self) -> float:
        return sum(float(np.hypot(b.x - a.x, b.y - a.y)) for a, b in pairwise(self.spots))


def _contours(sheet: Sheet) -> Iterator[Run]:
    """Lines of equal gap of some length."""
    is_there = np.isfinite(sheet.gap_mm)
    weight = gaussian_filter(is_there.astype(float), BLUR_CELLS)
    smooth = gaussian_filter(np.where(is_there, sheet.gap_mm, 0.0), BLUR_CELLS) / np.maximum(weight, 1e-9)
    for level in LEVELS_MM:
        for run in _find_contours(smooth, level, mask=is_there):
            made = Run(level, sheet.of_cells(run[:, 0], run[:, 1]))
            if made.length >= SHORTEST_LINE:
                yield made


def _numbers(runs: list[Run], taken: list[Box]) -> list[Words]:
    """A number on each line that has room for one."""
    boxes, made = list(taken), []
    for run in sorted(runs, key=lambda r: -r.length):
        if run.length < LINE_WITH_NUMBER:
            continue
        for share in (0.5, 0.25, 0.75):
            number = Words(run.spots[int(share * len(run.spots))], f"{run.level_mm:g}", 8.5, is_bold=True)
            if not any(number.box.wider(2.0).meets(box) for box in boxes):
                made.append(number)
                boxes.append(number.box.wider(2.0))
                break
    return made


def _outside(run: Run, spare: list[Box]) -> Iterator[Shape]:
    """The pieces of a line that lie in none of the boxes."""
    width = 1.1 if abs(run.level_mm) <= 0.1 else 0.7
    piece: list[Spot] = []
    for spot in (*run.spots, None):
        if spot is None or any(b.left < spot.x < b.right and b.top < spot.y < b.bottom for b in spare):
            if len(piece) > 1:
                yield Shape(tuple(piece), width)
            piece = []
        else:
            piece.append(spot)


def _edges(sheet: Sheet) -> Iterator[Shape]:
    """The edge of what faces the other jaw."""
    is_there = np.pad(np.isfinite(sheet.gap_mm), 1).astype(float)
    for edge in _find_contours(is_there, 0.5):
        yield Shape(sheet.of_cells(edge[:, 0] - 1.0, edge[:, 1] - 1.0), 0.5, Tone.SOFT)


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


def _sides(sheet: Sheet, figure: BiteFigure) -> Iterator[Mark]:
    """Which side of the page is which side of the patient."""
    top, bottom = PLAN_TOP + 8.0, PLAN_TOP + sheet.height - 8.0
    front, back = (top, bottom) if figure.is_upper else (bottom, top)
    yield Words(Spot(WIDTH / 2.0, front), "front", 11.0, is_bold=True)
    yield Words(Spot(16.0, back), "patient's right", 11.0, Anchor.START, is_bold=True)
    yield Words(Spot(WIDTH - 16.0, back), "patient's left", 11.0, Anchor.END, is_bold=True)


def _legend(top: float) -> Iterator[Mark]:
    """The bands and what they mean, in one row."""
    yield Words(Spot(16.0, top + 10.0), "gap, mm:", 10.0, Anchor.START)
    for k, band in enumerate(BANDS):
        x = 70.0 + 58.0 * k
        box = Box(x, top, x + 40.0, top + 20.0)
        corners = (
            Spot(box.left, box.top),
            Spot(box.right, box.top),
            Spot(box.right, box.bottom),
            Spot(box.left, box.bottom),
        )
        yield Shape(corners, 0.6, Tone.SOFT, is_closed=True)
        yield Lines(swatch(band, box), 0.8)
        yield Words(Spot(x + 20.0, top + 29.0), band.words, 9.0)


def swatch(band: Band, box: Box) -> tuple[Segment, ...]:
    """The strokes of a band in a box."""
    if band.spacing <= 0.0:
        return ()
    made = []
    height = box.bottom - box.top
    step = band.spacing * np.sqrt(2.0)
    for slope in (1.0, -1.0) if band.is_crossed else (1.0,):
        for foot in np.arange(box.left - height + 0.5 * step, box.right, step):
            start, end = max(float(foot), box.left), min(float(foot) + height, box.right)
            rise = (start - float(foot), end - float(foot))
            low, high = (box.bottom - r if slope > 0.0 else box.top + r for r in rise)
            made.append(Segment(Spot(start, low), Spot(end, high)))
    return tuple(made)


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
    return "-" if value is None else f"{value:.2f}"


def _spot(point: Floats) -> Spot:
    return Spot(round(float(point[0]), 1), round(float(point[1]), 1))

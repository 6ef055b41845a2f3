"""What drawings of a plan have in common: values on a grid as bands of strokes, the denser the more there is to see, lines of
equal value with their numbers, the edge of what was measured, the sides of the patient, and the bands in one row."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from server.explain.drawing import Anchor, Box, Lines, Mark, Segment, Shape, Spot, Tone, Words
from server.explain.hatching import runs_in

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WIDTH = 480.0
PLAN_TOP = 66.0
MARGIN = 30.0
MOST_PER_MM = 7.5
SAMPLE = 1.0
SHORTEST = 2.0
BLUR_CELLS = 0.8
SHORTEST_LINE, LINE_WITH_NUMBER = 10.0, 45.0
RISING, FALLING = 1.0, -1.0


@dataclass(frozen=True, slots=True)
class Band:
    """A range of values and its strokes. most_mm: values up to this, down to the band before. Each band holds about half as
    much ink again as the next fainter one, so that equal steps look equal. slopes: of its strokes, RISING or FALLING or both.
    """

    most_mm: float
    spacing: float
    slopes: tuple[float, ...]
    words: str


@dataclass(frozen=True, slots=True)
class Bands:
    """bands: from the least value up. levels_mm: at which lines of equal value are drawn; bold_mm: those at which they are
    strong. form: how a level is written."""

    bands: tuple[Band, ...]
    levels_mm: tuple[float, ...]
    bold_mm: tuple[float, ...]
    form: str = "g"

    def number_of(self, values_mm: Floats) -> Ints:
        """Which band each value belongs to; one past the last where there is none."""
        edges = np.array([band.most_mm for band in self.bands[:-1]])
        return np.where(
            np.isfinite(values_mm), np.searchsorted(edges, values_mm, side="left"), len(self.bands)
        )


class Sheet:
    """Where a place of the plan comes to lie on the sheet: x of the plan to the right, y upward, or downward where it is
    turned over. values_mm: (rows, columns), NaN where there is nothing; low_mm: middle of the first cell."""

    def __init__(
        self, values_mm: Floats, low_mm: tuple[float, float], cell_mm: float, bands: Bands, *, is_y_up: bool
    ) -> None:
        rows, columns = values_mm.shape
        self.values_mm, self.bands = values_mm, bands
        self.low, self.cell = np.array(low_mm), cell_mm
        self.size = np.array([columns - 1, rows - 1]) * self.cell
        self.per_mm = min((WIDTH - 2.0 * MARGIN) / max(float(self.size[0]), 1.0), MOST_PER_MM)
        self.up = 1.0 if is_y_up else -1.0
        self.middle = self.low + 0.5 * self.size
        self.height = float(self.size[1]) * self.per_mm + 2.0 * MARGIN
        self.centre = Spot(0.5 * WIDTH, PLAN_TOP + 0.5 * self.height)

    @property
    def bottom(self) -> float:
        return PLAN_TOP + self.height

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
        rows, columns = self.values_mm.shape
        is_on = (column >= 0) & (row >= 0) & (column < columns) & (row < rows)
        number = self.bands.number_of(self.values_mm)
        return np.where(
            is_on, number[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)], len(self.bands.bands)
        )


def plan_marks(sheet: Sheet, taken: Sequence[Box]) -> tuple[Mark, ...]:
    """Strokes, edges, lines of equal value and their numbers, out of the boxes taken by what is drawn over them."""
    runs = list(_contours(sheet))
    numbers = _numbers(sheet.bands, runs, taken)
    spare = [*taken, *(n.box.wider(1.0) for n in numbers)]
    return (
        *_strokes(sheet, spare),
        *_edges(sheet),
        *(piece for run in runs for piece in _outside(sheet.bands, run, spare)),
        *numbers,
    )


def _find_contours(*asked: Any, **how: Any) -> list[Floats]:
    """Lines of equal value (skimage), loaded at the first drawing: a command that draws nothing need not wait for it."""
    from skimage.measure import find_contours

    made: list[Floats] = find_contours(*asked, **how)  # type: ignore[no-untyped-call]
    return made


def _strokes(sheet: Sheet, spare: Sequence[Box]) -> Iterator[Lines]:
    """The filling of every band, leaving out the boxes."""
    box = Box(0.0, PLAN_TOP, WIDTH, sheet.bottom)
    for number, band in enumerate(sheet.bands.bands):
        if band.spacing <= 0.0:
            continue
        made = tuple(s for slope in band.slopes for s in _hatching(sheet, number, slope, box, spare))
        if made:
            yield Lines(made, 0.8)


def _hatching(sheet: Sheet, number: int, slope: float, box: Box, spare: Sequence[Box]) -> Iterator[Segment]:
    """Strokes at 45° wherever the sheet shows that band."""
    c = np.array([0.5 * (box.left + box.right), 0.5 * (box.top + box.bottom)])
    reach = float(np.hypot(box.right - box.left, box.bottom - box.top)) / 2.0
    along, across = np.array([1.0, -slope]) / np.sqrt(2.0), np.array([slope, 1.0]) / np.sqrt(2.0)
    t = np.arange(-reach, reach, SAMPLE)
    u = np.arange(-reach, reach, sheet.bands.bands[number].spacing)
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
    """One line of equal value."""

    level_mm: float
    spots: tuple[Spot, ...]

    @property
    def length(self) -> float:
        return sum(float(np.hypot(b.x - a.x, b.y - a.y)) for a, b in pairwise(self.spots))


def smoothed(values: Floats, blur_cells: float) -> Floats:
    """Values (rows, columns) evened over neighbours that are there; NaN counts for nothing."""
    is_there = np.isfinite(values)
    weight = gaussian_filter(is_there.astype(float), blur_cells)
    return np.asarray(gaussian_filter(np.where(is_there, values, 0.0), blur_cells) / np.maximum(weight, 1e-9))


def _contours(sheet: Sheet) -> Iterator[Run]:
    """Lines of equal value of some length."""
    is_there = np.isfinite(sheet.values_mm)
    smooth = smoothed(sheet.values_mm, BLUR_CELLS)
    for level in sheet.bands.levels_mm:
        for run in _find_contours(smooth, level, mask=is_there):
            made = Run(level, sheet.of_cells(run[:, 0], run[:, 1]))
            if made.length >= SHORTEST_LINE:
                yield made


def _numbers(bands: Bands, runs: list[Run], taken: Sequence[Box]) -> list[Words]:
    """A number on each line that has room for one."""
    boxes, made = list(taken), []
    for run in sorted(runs, key=lambda r: -r.length):
        if run.length < LINE_WITH_NUMBER:
            continue
        for share in (0.5, 0.25, 0.75):
            text = format(run.level_mm, bands.form)
            number = Words(run.spots[int(share * len(run.spots))], text, 8.5, is_bold=True)
            if not any(number.box.wider(2.0).meets(box) for box in boxes):
                made.append(number)
                boxes.append(number.box.wider(2.0))
                break
    return made


def _outside(bands: Bands, run: Run, spare: Sequence[Box]) -> Iterator[Shape]:
    """The pieces of a line that lie in none of the boxes."""
    width = 1.1 if run.level_mm in bands.bold_mm else 0.7
    piece: list[Spot] = []
    for spot in (*run.spots, None):
        if spot is None or any(b.left < spot.x < b.right and b.top < spot.y < b.bottom for b in spare):
            if len(piece) > 1:
                yield Shape(tuple(piece), width)
            piece = []
        else:
            piece.append(spot)


def _edges(sheet: Sheet) -> Iterator[Shape]:
    """The edge of what was measured."""
    is_there = np.pad(np.isfinite(sheet.values_mm), 1).astype(float)
    for edge in _find_contours(is_there, 0.5):
        yield Shape(sheet.of_cells(edge[:, 0] - 1.0, edge[:, 1] - 1.0), 0.5, Tone.SOFT)


def sides_of_patient(sheet: Sheet, *, is_front_up: bool) -> Iterator[Words]:
    """Which side of the page is which side of the patient."""
    top, bottom = PLAN_TOP + 8.0, sheet.bottom - 14.0
    front, back = (top, bottom) if is_front_up else (bottom, top)
    yield Words(Spot(WIDTH / 2.0, front), "front", 11.0, is_bold=True)
    yield Words(Spot(16.0, back), "patient's right", 11.0, Anchor.START, is_bold=True)
    yield Words(Spot(WIDTH - 16.0, back), "patient's left", 11.0, Anchor.END, is_bold=True)


def legend(bands: Bands, left: float, top: float, step: float) -> Iterator[Mark]:
    """The bands and what they mean, in one row."""
    for k, band in enumerate(bands.bands):
        x = left + step * k
        box = Box(x, top, x + 0.69 * step, top + 20.0)
        corners = (
            Spot(box.left, box.top),
            Spot(box.right, box.top),
            Spot(box.right, box.bottom),
            Spot(box.left, box.bottom),
        )
        yield Shape(corners, 0.6, Tone.SOFT, is_closed=True)
        yield Lines(swatch(band, box), 0.8)
        yield Words(Spot(0.5 * (box.left + box.right), top + 29.0), band.words, 9.0)


def swatch(band: Band, box: Box) -> tuple[Segment, ...]:
    """The strokes of a band in a box."""
    if band.spacing <= 0.0:
        return ()
    made = []
    height = box.bottom - box.top
    step = band.spacing * np.sqrt(2.0)
    for slope in band.slopes:
        for foot in np.arange(box.left - height + 0.5 * step, box.right, step):
            start, end = max(float(foot), box.left), min(float(foot) + height, box.right)
            rise = (start - float(foot), end - float(foot))
            low, high = (box.bottom - r if slope > 0.0 else box.top + r for r in rise)
            made.append(Segment(Spot(start, low), Spot(end, high)))
    return tuple(made)


def _spot(point: Floats) -> Spot:
    return Spot(round(float(point[0]), 1), round(float(point[1]), 1))

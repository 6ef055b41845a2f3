"""A coverage figure drawn: rings by height about the top, slices by eighths of the turn, in each cell its number."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from server.explain.coverage import EIGHTH_DEG, CoverageFigure, percent
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
from server.explain.hatching import STEPS, Ring, Step, dotted, hatched, step_of

WIDTH = 480.0
TOP_RADIUS = 30.0
WIDEST_BAND = 21.0
MOST_RADIUS = 156.0
"""What leaves room for the words about the rim."""
RIM = 62.0
UP_DEG = 90.0
LONGEST_TITLE = 34
LONGEST_FILE = 30


def coverage_drawing(figure: CoverageFigure) -> Drawing:
    """The figure on a sheet WIDTH wide; the index mark is at the top, eighths follow against the clock."""
    heading = _heading(figure)
    outer = TOP_RADIUS + band_width(len(figure.by_height)) * len(figure.by_height)
    middle = Spot(0.5 * WIDTH, 54.0 + RIM + outer)
    below = middle.y + outer + RIM + 8.0
    legend = tuple(_legend(below))
    says = paragraph(figure.says, 16.0, below + 50.0, WIDTH - 32.0)
    return Drawing(
        width=WIDTH,
        height=says[-1].at.y + 16.0,
        says=figure.says,
        marks=(
            *heading,
            *_cells(figure, middle),
            *_rim(figure, middle, outer),
            *_directions(figure, middle, outer),
            *legend,
            *says,
        ),
    )


def _heading(figure: CoverageFigure) -> tuple[Mark, ...]:
    title = f"{clipped(figure.title, LONGEST_TITLE)} · {clipped(figure.record, LONGEST_FILE)}"
    how = "Percent caught. Seen from above: top in the middle, foot outside, a ring for each mm of height."
    return (
        Words(Spot(16.0, 20.0), title, 15.0, Anchor.START, is_bold=True),
        Words(Spot(16.0, 42.0), how, 10.0, Anchor.START, tone=Tone.SOFT),
    )


def band_width(n_bands: int) -> float:
    """How wide the ring of one band of height is drawn."""
    return min(WIDEST_BAND, (MOST_RADIUS - TOP_RADIUS) / max(n_bands, 1))


def cell_at(middle: Spot, n_bands: int, band: int, eighth: int) -> Ring:
    """Where a cell is drawn. band: from the seat up, from 0; eighth: from 0."""
    width = band_width(n_bands)
    inner = TOP_RADIUS + width * (n_bands - 1 - band)
    start = UP_DEG + eighth * EIGHTH_DEG
    return Ring(middle, inner, inner + width, start, start + EIGHTH_DEG)


def _cells(figure: CoverageFigure, middle: Spot) -> Iterator[Mark]:
    """Rings and spokes, the filling of each cell, and its number."""
    n_bands = len(figure.by_height)
    width = band_width(n_bands)
    outer = TOP_RADIUS + width * n_bands
    yield from (Circle(middle, TOP_RADIUS + width * k, 0.6, Tone.SOFT) for k in range(1, n_bands))
    turns = [UP_DEG + k * EIGHTH_DEG for k in range(len(figure.by_eighth))]
    yield Lines(tuple(_between(middle, turn, TOP_RADIUS, outer) for turn in turns), 0.6, Tone.SOFT)
    yield Circle(middle, TOP_RADIUS, width=1.4)
    filled = [
        _Cell(cell_at(middle, n_bands, band, eighth), share)
        for band, row in enumerate(figure.by_height)
        for eighth, share in enumerate(row)
    ]
    filled.append(_Cell(Ring(middle, 0.0, TOP_RADIUS, 0.0, 360.0), figure.top_ratio, "top "))
    yield from _together([cell.filling for cell in filled])
    yield from (cell.number for cell in filled)


@dataclass(frozen=True, slots=True)
class _Cell:
    """A piece of the figure and what was caught of it; None where there was nothing to catch."""

    ring: Ring
    share: float | None
    before: str = ""

    @property
    def size(self) -> float:
        """Of the number: as large as the ring allows."""
        return min(11.0, 0.62 * (self.ring.outer - self.ring.inner))

    @property
    def number(self) -> Words:
        text = self.before + percent(self.share)
        return Words(self.ring.centre, text, self.size, is_bold=_is_weak(self.share))

    @property
    def filling(self) -> Lines:
        return filling(self.ring, self.share, self.number.box.wider(1.5))


def filling(ring: Ring, share: float | None, spare: Box | None) -> Lines:
    """The strokes that stand for a share in a piece of a ring, or the dots that stand for none."""
    if share is None:
        return Lines(dotted(ring, spare), 1.2, Tone.SOFT)
    return Lines(hatched(ring, step_of(share), spare), 0.8)


def _together(fillings: list[Lines]) -> Iterator[Lines]:
    """The strokes of one kind as one mark."""
    for width, tone in ((1.2, Tone.SOFT), (0.8, Tone.FULL)):
        segments = tuple(s for lines in fillings if lines.width == width for s in lines.segments)
        if segments:
            yield Lines(segments, width, tone)


def _is_weak(share: float | None) -> bool:
    return share is not None and share < STEPS[2].least_ratio


def _rim(figure: CoverageFigure, middle: Spot, outer: float) -> Iterator[Mark]:
    """The eighths by number, with the share of each, and the lines that part them."""
    yield Circle(middle, outer, width=1.4)
    for k, share in enumerate(figure.by_eighth):
        edge = UP_DEG + k * EIGHTH_DEG
        yield Lines((_between(middle, edge, outer, outer + 6.0),), 1.4)
        at = middle.at(edge + 0.5 * EIGHTH_DEG, outer + 24.0)
        is_worst = figure.weakest == k + 1 and share is not None and share < STEPS[0].least_ratio
        words = f"{percent(share)} %" if share is not None else "-"
        yield Words(Spot(at.x, at.y - 7.0), f"eighth {k + 1}", 9.0, tone=Tone.SOFT)
        yield Words(Spot(at.x, at.y + 5.0), words, 12.0, is_bold=is_worst)
        if is_worst:
            yield Lines((_between(at, 0.0, -16.0, 16.0, 14.0),), 1.6)


def _between(middle: Spot, angle_deg: float, start: float, end: float, lower: float = 0.0) -> Segment:
    a, b = middle.at(angle_deg, start), middle.at(angle_deg, end)
    return Segment(Spot(a.x, a.y + lower), Spot(b.x, b.y + lower))


def _directions(figure: CoverageFigure, middle: Spot, outer: float) -> Iterator[Mark]:
    """The index mark at the top, and the outer side of the arch where it is known."""
    tip = middle.at(UP_DEG, outer + 3.0)
    yield Shape(
        (tip, Spot(tip.x - 6.0, tip.y - 11.0), Spot(tip.x + 6.0, tip.y - 11.0)),
        is_closed=True,
        is_filled=True,
    )
    index = "no index mark" if figure.index_ratio is None else f"index mark {percent(figure.index_ratio)} %"
    turn = "" if figure.is_turn_known else ", turn not known"
    yield Words(Spot(middle.x, tip.y - 25.0), index + turn, 11.0, is_bold=not figure.is_turn_known)
    if figure.outward_deg is not None:
        for angle, words in ((figure.outward_deg, "outer"), (figure.outward_deg + 180.0, "inner")):
            up = middle.at(UP_DEG + angle, outer + 52.0)
            beside = middle.at(UP_DEG + angle, outer + 68.0)
            yield Words(Spot(beside.x, up.y), words, 11.0, is_bold=True)


def _legend(top: float) -> Iterator[Mark]:
    """The fillings and what they mean, in one row."""
    yield Words(Spot(16.0, top + 8.0), "caught:", 10.0, Anchor.START)
    kinds: tuple[Step | None, ...] = (*STEPS, None)
    for k, step in enumerate(kinds):
        x = 62.0 + 70.0 * k
        ring = Ring(Spot(x + 10.0, top + 8.0), 0.0, 10.0, 0.0, 360.0)
        yield Circle(ring.middle, 10.0, width=0.6, tone=Tone.SOFT)
        yield filling(ring, None if step is None else step.least_ratio, None)
        words = "in tissue" if step is None else step.words
        yield Words(Spot(x + 10.0, top + 28.0), words, 9.0)

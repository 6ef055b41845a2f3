"""A drawing of lines, circles and words, made once and written as SVG or PNG alike: both know these marks and no others.

Coordinates in units of the drawing, one unit about one pixel on paper, x to the right, y downward.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from textwrap import wrap

import numpy as np
from numpy.typing import NDArray

CHARACTER_WIDTH = 0.56
"""Of the size of a text: about what a character of a plain face takes at most."""
RUNNING_WIDTH = 0.5
"""The same over a line of running text."""


class Tone(StrEnum):
    """How strongly a mark is drawn. There is no colour."""

    FULL = "full"
    SOFT = "soft"
    PAPER = "paper"
    """As pale as the sheet: a band about what must stand out."""


LONGEST_LABEL = 14
"""Letters of a tooth code that fit beside a site."""


class Anchor(StrEnum):
    START = "start"
    MIDDLE = "middle"
    END = "end"


@dataclass(frozen=True, slots=True)
class Spot:
    """A point of the drawing."""

    x: float
    y: float

    def at(self, angle_deg: float, reach: float) -> Spot:
        """The point `reach` away; 0° to the right, 90° up."""
        turn = math.radians(angle_deg)
        return Spot(self.x + reach * math.cos(turn), self.y - reach * math.sin(turn))


@dataclass(frozen=True, slots=True)
class Segment:
    start: Spot
    end: Spot


@dataclass(frozen=True, slots=True)
class Lines:
    """Straight strokes that belong together, as of one hatching."""

    segments: tuple[Segment, ...]
    width: float = 1.0
    tone: Tone = Tone.FULL


@dataclass(frozen=True, slots=True)
class Shape:
    """A run of straight pieces, closed or open; a filled one is closed."""

    spots: tuple[Spot, ...]
    width: float = 1.0
    tone: Tone = Tone.FULL
    is_closed: bool = False
    is_filled: bool = False


@dataclass(frozen=True, slots=True)
class Circle:
    """The outline of a circle."""

    middle: Spot
    radius: float
    width: float = 1.0
    tone: Tone = Tone.FULL


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text, its middle at y."""

    at: Spot
    text: str
    size: float = 12.0
    anchor: Anchor = Anchor.MIDDLE
    is_bold: bool = False
    tone: Tone = Tone.FULL

    @property
    def box(self) -> Box:
        width = CHARACTER_WIDTH * self.size * len(self.text)
        left = {
            Anchor.START: self.at.x,
            Anchor.MIDDLE: self.at.x - width / 2.0,
            Anchor.END: self.at.x - width,
        }[self.anchor]
        return Box(left, self.at.y - 0.5 * self.size, left + width, self.at.y + 0.5 * self.size)


@dataclass(frozen=True, slots=True)
class Box:
    left: float
    top: float
    right: float
    bottom: float

    def wider(self, by: float) -> Box:
        return Box(self.left - by, self.top - by, self.right + by, self.bottom + by)

    def meets(self, other: Box) -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """A picture in greys (rows, columns) uint8, 255 paper, laid over a field of the drawing; `at` is its upper left corner."""

    at: Spot
    width: float
    height: float
    greys: NDArray[np.uint8]


Mark = Lines | Shape | Circle | Words | Raster


@dataclass(frozen=True, slots=True)
class Drawing:
    """width, height: the sheet. says: the same in sentences, for who cannot see it."""

    width: float
    height: float
    says: str
    marks: tuple[Mark, ...]


def arc(middle: Spot, radius: float, from_deg: float, to_deg: float) -> tuple[Spot, ...]:
    """Points along an arc, ends included, so close that the chord is nowhere a tenth of a unit away."""
    step = math.degrees(2.0 * math.acos(max(1.0 - 0.1 / max(radius, 0.2), 0.0)))
    count = max(math.ceil(abs(to_deg - from_deg) / step), 1)
    return tuple(middle.at(from_deg + (to_deg - from_deg) * k / count, radius) for k in range(count + 1))


def wedge(middle: Spot, inner: float, outer: float, from_deg: float, to_deg: float) -> tuple[Spot, ...]:
    """The outline of a piece of a ring, from its inner arc outward; a plain slice where inner is 0."""
    back = tuple(reversed(arc(middle, inner, from_deg, to_deg))) if inner > 0.0 else (middle,)
    return (*arc(middle, outer, from_deg, to_deg), *back)


def dashed(spots: Sequence[Spot], dash: float = 4.0, gap: float = 3.0) -> tuple[Segment, ...]:
    """The pieces of a broken line along the points."""
    made: list[Segment] = []
    position, left, is_drawn = spots[0], dash, True
    for goal in spots[1:]:
        while (rest := math.hypot(goal.x - position.x, goal.y - position.y)) > 1e-9:
            step = min(left, rest)
            share = step / rest
            there = Spot(
                position.x + share * (goal.x - position.x), position.y + share * (goal.y - position.y)
            )
            if is_drawn:
                made.append(Segment(position, there))
            position, left = there, left - step
            if left <= 1e-9:
                is_drawn = not is_drawn
                left = dash if is_drawn else gap
    return tuple(made)


def arrow(start: Spot, end: Spot, width: float = 2.0, head: float = 8.0) -> tuple[Mark, ...]:
    """A shaft with a filled head, its tip at `end`; only a head's worth where it would be shorter than that."""
    length = math.hypot(end.x - start.x, end.y - start.y)
    if length < 1e-6:
        return ()
    angle = math.degrees(math.atan2(start.y - end.y, end.x - start.x))
    size = min(head, length)
    foot = end.at(angle + 180.0, size)
    head_marks = Shape(
        (end, foot.at(angle + 90.0, 0.42 * size), foot.at(angle - 90.0, 0.42 * size)),
        is_closed=True,
        is_filled=True,
    )
    shaft = Lines((Segment(start, foot),), width) if length > size else None
    return (shaft, head_marks) if shaft else (head_marks,)


def paragraph(text: str, left: float, top: float, width: float, size: float = 12.0) -> tuple[Words, ...]:
    """The text in lines of that width, each a line's height below the last."""
    lines = wrap(text, max(int(width / (RUNNING_WIDTH * size)), 8))
    return tuple(
        Words(Spot(left, top + (k + 0.5) * 1.4 * size), line, size, Anchor.START)
        for k, line in enumerate(lines)
    )


def bottom_of(marks: Iterable[Words], default: float) -> float:
    """Where the next thing below may begin."""
    return max((m.at.y + 0.7 * m.size for m in marks), default=default)


def clipped(label: str, longest: int = LONGEST_LABEL) -> str:
    """A label no longer than fits."""
    return label if len(label) <= longest else label[: longest - 1] + "…"

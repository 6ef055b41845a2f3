"""Fillings that tell shares apart without colour: the more is missing, the denser the strokes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.explain.drawing import Box, Segment, Spot

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]

SAMPLE = 0.5
SHORTEST = 1.0


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the filling. least_ratio: shares from here up, to the next step. spacing: between strokes, 0 for none;
    is_crossed: strokes both ways."""

    least_ratio: float
    spacing: float
    is_crossed: bool
    words: str


STEPS = (
    Step(0.90, 0.0, False, "90-100 %"),
    Step(0.75, 10.0, False, "75-90 %"),
    Step(0.50, 5.0, False, "50-75 %"),
    Step(0.15, 3.0, False, "15-50 %"),
    Step(0.0, 3.6, True, "under 15 %"),
)


def step_of(share: float) -> Step:
    """The filling of a captured share, 0 to 1."""
    return next((step for step in STEPS if share >= step.least_ratio), STEPS[-1])


@dataclass(frozen=True, slots=True)
class Ring:
    """A piece of a ring. Angles in degrees, 0 to the right, 90 up, from_deg < to_deg; inner 0 and a whole turn: a disc."""

    middle: Spot
    inner: float
    outer: float
    from_deg: float
    to_deg: float

    @property
    def centre(self) -> Spot:
        """The middle of the piece, where its number stands."""
        if self.to_deg - self.from_deg >= 360.0:
            return self.middle
        return self.middle.at(0.5 * (self.from_deg + self.to_deg), 0.5 * (self.inner + self.outer))

    def holds(self, x: Floats, y: Floats, margin: float) -> Mask:
        """Whether points lie inside, `margin` away from the arcs at least."""
        dx, dy = x - self.middle.x, self.middle.y - y
        r = np.hypot(dx, dy)
        within = (r <= self.outer - margin) & (r >= (self.inner + margin if self.inner > 0.0 else 0.0))
        turn = (np.degrees(np.arctan2(dy, dx)) - self.from_deg) % 360.0
        return np.asarray(within & (turn <= self.to_deg - self.from_deg))


def hatched(ring: Ring, step: Step, spare: Box | None) -> tuple[Segment, ...]:
    """The strokes of one step inside a piece of a ring, leaving out a box for its number."""
    if step.spacing <= 0.0:
        return ()
    made = _strokes(ring, step.spacing, 1.0, spare)
    return made + _strokes(ring, step.spacing, -1.0, spare) if step.is_crossed else made


def dotted(ring: Ring, spare: Box | None, spacing: float = 6.0) -> tuple[Segment, ...]:
    """Dots inside a piece of a ring: nothing to be caught there."""
    middle, reach = ring.middle, ring.outer
    ticks = np.arange(-reach, reach + spacing, spacing)
    x, y = (grid.ravel() for grid in np.meshgrid(middle.x + ticks, middle.y + ticks))
    keep = ring.holds(x, y, 1.5) & ~_in(spare, x, y)
    return tuple(
        Segment(Spot(float(a) - 0.6, float(b)), Spot(float(a) + 0.6, float(b)))
        for a, b in zip(x[keep], y[keep], strict=True)
    )


def _strokes(ring: Ring, spacing: float, slope: float, spare: Box | None) -> tuple[Segment, ...]:
    """Strokes at 45° up (slope 1) or down, all of one pattern from piece to piece."""
    c = np.array([ring.middle.x, ring.middle.y])
    along, across = np.array([1.0, -slope]) / np.sqrt(2.0), np.array([slope, 1.0]) / np.sqrt(2.0)
    centre, reach = np.array([ring.centre.x, ring.centre.y]) - c, _reach(ring)
    t = np.arange(-reach, reach + SAMPLE, SAMPLE) + centre @ along
    first, last = np.ceil((centre @ across - reach) / spacing), np.floor((centre @ across + reach) / spacing)
    made: list[Segment] = []
    for k in np.arange(first, last + 1.0):
        points = c + np.outer(t, along) + k * spacing * across
        inside = ring.holds(points[:, 0], points[:, 1], 0.5) & ~_in(spare, points[:, 0], points[:, 1])
        made += [Segment(_spot(points[a]), _spot(points[b])) for a, b in runs_in(inside, SHORTEST / SAMPLE)]
    return tuple(made)


def runs_in(inside: Mask, least: float) -> NDArray[np.int64]:
    """(k, 2) first and last place of every unbroken run of True in (n,) that is at least so many steps long."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8))).reshape(-1, 2)
    runs = edges - (0, 1)
    return np.asarray(runs[runs[:, 1] - runs[:, 0] >= least])


def _reach(ring: Ring) -> float:
    """How far from its centre a piece may reach."""
    if ring.to_deg - ring.from_deg >= 360.0:
        return ring.outer
    half = np.radians(0.5 * (ring.to_deg - ring.from_deg))
    return float(np.hypot(ring.outer * np.sin(half), ring.outer - ring.inner))


def _in(box: Box | None, x: Floats, y: Floats) -> Mask:
    if box is None:
        return np.zeros(x.shape, dtype=bool)
    return np.asarray((x > box.left) & (x < box.right) & (y > box.top) & (y < box.bottom))


def _spot(point: Floats) -> Spot:
    return Spot(float(point[0]), float(point[1]))

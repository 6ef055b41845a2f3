"""Reference bodies turned for these tests: stacked rings, hollow or not, open or closed at the seat, with any index."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from server.metrology.scan import Scan

Floats = NDArray[np.float64]
Shape = Callable[[Floats, float, float], Floats]
"""The radius in directions (n,), rad, of a ring of a given radius and height."""

STEPS = 180


def round_(turn: Floats, r: float, z: float) -> Floats:
    return np.full(len(turn), r)


def turned(
    outline: Sequence[tuple[float, float]],
    *,
    shape: Shape = round_,
    is_closed: bool = True,
    channel: tuple[float, float] | None = None,
    steps: int = STEPS,
) -> Scan:
    """A body from its outline, (r, z) from the seat up, in millimetres; wound outward.

    is_closed: also from below. channel: radius of a hole from the top down, and the height of its floor; a floor at the
    seat makes it a hole right through.
    """
    turn = np.arange(steps) * 2.0 * np.pi / steps
    rings = [_ring(shape(turn, r, z), turn, z) for r, z in _fine(outline)]
    through = channel is not None and channel[1] <= outline[0][1]
    if channel is not None:
        radius, floor = channel
        bottom = max(floor, outline[0][1])
        walls = np.linspace(outline[-1][1], bottom, 12)
        rings += [_ring(np.full(steps, radius), turn, float(z)) for z in walls]
    points = np.concatenate(rings)
    faces = [_strip(k, k + 1, steps) for k in range(len(rings) - 1)]
    if through:
        faces += [_strip(len(rings) - 1, 0, steps)] if is_closed else []
    else:
        faces.append(_fan(len(rings) - 1, steps, len(points)))
        points = np.vstack([points, [0.0, 0.0, rings[-1][0, 2]]])
        if is_closed:
            faces.append(_fan(0, steps, len(points))[:, ::-1])
            points = np.vstack([points, [0.0, 0.0, rings[0][0, 2]]])
    return Scan(points, np.concatenate(faces).astype(np.int32))


def _fine(outline: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The outline with corners no farther apart than 0.4 mm."""
    made = [outline[0]]
    for (r0, z0), (r1, z1) in pairwise(outline):
        n = int(np.ceil(np.hypot(r1 - r0, z1 - z0) / 0.4))
        made += [(r0 + (r1 - r0) * k / n, z0 + (z1 - z0) * k / n) for k in range(1, n + 1)]
    return made


def _ring(radius: Floats, turn: Floats, z: float) -> Floats:
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.full(len(turn), z)])


def _strip(low: int, high: int, n: int) -> NDArray[np.int64]:
    i, j = np.arange(n), (np.arange(n) + 1) % n
    return np.concatenate(
        [
            np.stack([low * n + i, low * n + j, high * n + j], axis=1),
            np.stack([low * n + i, high * n + j, high * n + i], axis=1),
        ]
    )


def _fan(ring: int, n: int, centre: int) -> NDArray[np.int64]:
    i, j = ring * n + np.arange(n), ring * n + (np.arange(n) + 1) % n
    return np.stack([i, j, np.full(n, centre)], axis=1)


def groove(turn: Floats, r: float, z: float) -> Floats:
    """0.5 mm deep and 40 degrees wide, facing +x, from z = 2 mm up."""
    inside = np.abs(np.angle(np.exp(1j * turn))) < np.radians(20.0)
    return np.where(inside & (z > 2.0), r - 0.5, r)


def two_flats(turn: Floats, r: float, z: float) -> Floats:
    """Facing +x and -x, 1.6 mm from the axis, from z = 3 mm up."""
    aside = np.maximum(np.abs(np.cos(turn)), 1e-9)
    return np.minimum(r, 1.6 / aside) if z > 3.0 else np.full(len(turn), r)


def hexagon(turn: Floats, r: float, z: float) -> Floats:
    """Six flats, 1.5 mm from the axis, from z = 3 mm up."""
    aside = np.cos((turn + np.pi / 6.0) % (np.pi / 3.0) - np.pi / 6.0)
    return np.minimum(r, 1.5 / aside) if z > 3.0 else np.full(len(turn), r)


def one_flat(turn: Floats, r: float, z: float) -> Floats:
    """Facing +x, 1.2 mm from the axis, from z = 2.5 mm up."""
    aside = np.maximum(np.cos(turn), 1e-9)
    return np.minimum(r, 1.2 / aside) if z > 2.5 else np.full(len(turn), r)

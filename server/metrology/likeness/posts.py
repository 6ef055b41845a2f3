"""Posts: upright pieces turned about an axis, as scan bodies are, told from crowns, caps and ridges by their shape alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bodies.cells import Cells
from server.metrology.bodies.voting import AxisGuess, axis_guesses

Floats = NDArray[np.float64]

RADII_MM = (1.6, 2.2, 2.8)
"""Half a millimetre to either side is caught as well: bodies are 3 to 6.5 mm across."""
MOST_AXES = 12
REACH_MM = 6.5
LEAST_RADIUS_MM = 0.8
BAND_MM = 0.5
LEAST_OUTWARD = 0.8
MOST_ALONG, MOST_ASIDE = 0.45, 0.2
DIRECTIONS = 24
LEAST_CELLS = 10
LEAST_WALL_MM = 1.0
LEAST_HEIGHT_MM = 3.0
"""A healing cap on its cuff stands lower."""
HALF_TURN, WHOLE_TURN = 0.5, 0.85
"""Share of the turn: a ridge has walls on two sides, less than half of it; of crowns some directions are never round."""
APART_MM = 3.0


@dataclass(frozen=True, slots=True)
class Post:
    """point_mm, direction: (3,) of its axis; radius_mm and height_mm of its wall; turn_ratio: share of the turn about the
    axis in which there is a wall; area_mm2: of that wall."""

    point_mm: Floats
    direction: Floats
    radius_mm: float
    height_mm: float
    turn_ratio: float
    area_mm2: float

    @property
    def is_whole(self) -> bool:
        return self.turn_ratio >= WHOLE_TURN


def posts_in(cells: Cells, near: cKDTree) -> list[Post]:
    """The posts in a surface wound outward, the one with the most wall first. near: a tree of the cells' points.

    Not seen: bodies wider than 6.5 mm, or not round; a healing cap that stands as high as a short body is taken for one.
    """
    guesses = [guess for radius in RADII_MM for guess in axis_guesses(cells, near, radius, MOST_AXES)]
    found = [post for guess in guesses if (post := _post_at(cells, near, guess)) is not None]
    apart: list[Post] = []
    for post in sorted(found, key=lambda p: -p.area_mm2 * p.turn_ratio):
        if all(np.linalg.norm(post.point_mm - other.point_mm) > APART_MM for other in apart):
            apart.append(post)
    return apart


def _post_at(cells: Cells, near: cKDTree, guess: AxisGuess) -> Post | None:
    """The wall about an axis, where there is enough of one: it faces away from the axis and never aside."""
    around = np.asarray(near.query_ball_point(guess.point_mm, REACH_MM), dtype=np.int64)
    axis = guess.direction
    offset = cells.points[around] - guess.point_mm
    aside = offset - (offset @ axis)[:, None] * axis
    radius = np.linalg.norm(aside, axis=1)
    outward = aside / np.maximum(radius, 1e-9)[:, None]
    normals = cells.normals[around]
    wall = (radius > LEAST_RADIUS_MM) & (np.abs(normals @ axis) < MOST_ALONG)
    wall &= np.einsum("ij,ij->i", normals, outward) > LEAST_OUTWARD
    wall &= np.abs(np.einsum("ij,ij->i", normals, np.cross(axis, outward))) < MOST_ASIDE
    if wall.sum() < LEAST_CELLS:
        return None
    middle = float(np.median(radius[wall]))
    wall &= np.abs(radius - middle) < BAND_MM
    heights = _heights_mm(outward[wall], axis, cells.areas_mm2[around][wall], middle)
    is_there = heights > LEAST_WALL_MM
    if is_there.mean() < HALF_TURN or float(np.median(heights[is_there])) < LEAST_HEIGHT_MM:
        return None
    return Post(
        point_mm=guess.point_mm,
        direction=axis,
        radius_mm=middle,
        height_mm=float(np.median(heights[is_there])),
        turn_ratio=float(is_there.mean()),
        area_mm2=float(cells.areas_mm2[around][wall].sum()),
    )


def _heights_mm(outward: Floats, axis: Floats, areas_mm2: Floats, radius_mm: float) -> Floats:
    """(DIRECTIONS,) how high the wall is in each part of the turn, from its area."""
    u = np.cross(np.eye(3)[int(np.argmin(np.abs(axis)))], axis)
    u /= np.linalg.norm(u)
    turn = np.arctan2(outward @ np.cross(axis, u), outward @ u) / (2.0 * np.pi) % 1.0
    part = np.minimum((turn * DIRECTIONS).astype(np.int64), DIRECTIONS - 1)
    return np.bincount(part, areas_mm2, DIRECTIONS) / (2.0 * np.pi * radius_mm / DIRECTIONS)


def near_posts(cells: Cells, posts: list[Post], beside_mm: float) -> NDArray[np.bool_]:
    """(n,) cells on a post, at its foot or at its top."""
    mine = np.zeros(len(cells.points), dtype=bool)
    for post in posts:
        offset = cells.points - post.point_mm
        along = offset @ post.direction
        aside = np.linalg.norm(offset - along[:, None] * post.direction, axis=1)
        mine |= (aside < post.radius_mm + beside_mm) & (np.abs(along) < post.height_mm + beside_mm)
    return mine

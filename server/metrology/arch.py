"""How an arch lies: which way it bites, where its front is, which side is the patient's left; from its surface alone.

Nothing is assumed of the frame. The occlusal direction is that into which an open scan faces on the whole (the sum of its
facets' vectors is that of any surface spanned by its border), or away from the base that a closed model stands on (`base.py`). Seen along it, the crest of the jaw is a bow, and a parabola
fits it from one side only: that side is the front.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter
from scipy.spatial import cKDTree

from server.metrology.scan import Points

Floats = NDArray[np.float64]

CELL_MM = 1.0
CREST_WINDOW_MM = 27.0
CREST_FALL_MM = 2.0
"""Weight of a cell falls by e for each of these below the highest within the window."""
TURN_STEPS = 72
LEVELLINGS = 3
MOST_SLOPE = 0.7
LEAST_CELLS = 60
LEAST_BOW_MM = 4.0
"""An arch whose front does not stand out by this much from the line between its ends has no telling front."""
LEAST_ADVANTAGE = 1.25
"""Next-best front, 60° or more away, over the best: the ratio of what each leaves unexplained."""


@dataclass(frozen=True, slots=True)
class ArchFrame:
    """occlusal, front: (3,) unit, at right angles; origin_mm: (3,) the middle of the crest. curve: (a, b, c) of
    front = a + b side + c side² in mm, side along front x occlusal. width_mm, depth_mm: of the crest.

    advantage: how much worse the next-best front explains the crest; below LEAST_ADVANTAGE the front is doubtful.
    """

    occlusal: Floats
    front: Floats
    origin_mm: Floats
    curve: tuple[float, float, float]
    width_mm: float
    depth_mm: float
    advantage: float

    @property
    def side(self) -> Floats:
        """(3,) unit: occlusal, side and front are a right-handed frame in the order side, front, occlusal."""
        return np.cross(self.front, self.occlusal)

    def patients_left(self, *, is_upper: bool) -> Floats:
        """(3,) unit, toward the patient's left. Left is up x front; an upper jaw bites downward."""
        left = np.cross(self.occlusal, self.front)
        return -left if is_upper else left

    @property
    def is_front_sure(self) -> bool:
        return self.advantage >= LEAST_ADVANTAGE

    def along_mm(self, points: Points) -> Floats:
        """(n,) arc length along the curve from its midline to the foot of each point (n, 3), + toward `side`."""
        offset = points - self.origin_mm
        x, y = offset @ self.side, offset @ self.front
        bow, length = self._bow
        foot = cKDTree(bow).query(np.column_stack([x, y]))[1]
        return np.asarray(length[foot])

    def at_mm(self, along_mm: float) -> Floats:
        """(2,) the point of the curve at an arc length, along `side` and `front` from the origin."""
        bow, length = self._bow
        return np.array([np.interp(along_mm, length, bow[:, 0]), np.interp(along_mm, length, bow[:, 1])])

    @property
    def _bow(self) -> tuple[Floats, Floats]:
        """Points (k, 2) of the curve and their arc length (k,) from its midline."""
        a, b, c = self.curve
        grid = np.linspace(-60.0, 60.0, 1201)
        bow = a + b * grid + c * grid**2
        middle = -b / (2.0 * c) if abs(c) > 1e-9 else 0.0
        length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(grid), np.diff(bow)))])
        length -= np.interp(np.clip(middle, -60.0, 60.0), grid, length)
        return np.column_stack([grid, bow]), length


def occlusal_direction(normals: Points, areas_mm2: Floats) -> Floats | None:
    """(3,) unit: where an open scan faces on the whole. None where it faces everywhere alike, as a closed one does.

    normals: (m, 3) unit of the facets, outward; areas_mm2: (m,).
    """
    total = areas_mm2 @ normals
    length = float(np.linalg.norm(total))
    return None if length < 0.1 * float(areas_mm2.sum()) else np.asarray(total / length)


def arch_frame(points: Points, occlusal: Floats) -> ArchFrame | None:
    """How the arch lies, from points (n, 3) spread over it and about its occlusal direction, which is made better by the
    plane of the crest. None where too little is there or no bow can be seen."""
    for _ in range(LEVELLINGS):
        u, v = _across(occlusal)
        plan, height, weight, middle = _crest(points, u, v, occlusal)
        if len(plan) < LEAST_CELLS:
            return None
        slope = _slope(plan, height, weight)
        if np.hypot(*slope) > MOST_SLOPE:
            break
        occlusal = occlusal - slope[0] * u - slope[1] * v
        occlusal = occlusal / np.linalg.norm(occlusal)
    u, v = _across(occlusal)
    plan, height, weight, middle = _crest(points, u, v, occlusal)
    turns = np.arange(TURN_STEPS) * 2.0 * np.pi / TURN_STEPS
    fits = [_bow(plan, weight, float(turn)) for turn in turns]
    miss = np.array([f[0] for f in fits])
    best = int(miss.argmin())
    if not np.isfinite(miss[best]):
        return None
    away = np.minimum(
        (np.arange(TURN_STEPS) - best) % TURN_STEPS, (best - np.arange(TURN_STEPS)) % TURN_STEPS
    )
    other = float(miss[away >= TURN_STEPS // 6].min())
    turn = float(turns[best])
    front = np.cos(turn) * u + np.sin(turn) * v
    side = plan @ np.array([np.sin(turn), -np.cos(turn)])
    low, high = np.quantile(side, (0.02, 0.98))
    a, b, c = fits[best][1]
    ends = [a + b * x + c * x * x for x in (low, high)]
    depth = float(a - b * b / (4.0 * c) - np.mean(ends)) if abs(c) > 1e-9 else 0.0
    if depth < LEAST_BOW_MM:
        return None
    return ArchFrame(
        occlusal, front, middle, (a, b, c), float(high - low), depth, other / max(float(miss[best]), 1e-9)
    )


def _across(direction: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors at right angles to a direction and to each other."""
    u = np.cross(np.eye(3)[int(np.argmin(np.abs(direction)))], direction)
    u /= np.linalg.norm(u)
    return u, np.cross(direction, u)


def _slope(plan: Floats, height: Floats, weight: Floats) -> Floats:
    """(2,) of the plane through the crest."""
    design = np.column_stack([plan, np.ones(len(plan))])
    lhs = (design * weight[:, None]).T @ design + 1e-9 * np.eye(3)
    return np.asarray(np.linalg.solve(lhs, (design * weight[:, None]).T @ height)[:2])


def _crest(points: Points, u: Floats, v: Floats, occlusal: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Cells of the plan (n, 2), the highest point in each (n,), a weight for being on the crest (n,), and where the
    plan's origin is (3,)."""
    middle = np.median(points, axis=0)
    offset = points - middle
    x, y, h = offset @ u, offset @ v, offset @ occlusal
    i, j = np.floor(x / CELL_MM).astype(np.int64), np.floor(y / CELL_MM).astype(np.int64)
    keep = (np.abs(i) < 100) & (np.abs(j) < 100)
    top = np.full((201, 201), -np.inf)
    np.maximum.at(top, (i[keep] + 100, j[keep] + 100), h[keep])
    highest = maximum_filter(top, size=int(CREST_WINDOW_MM / CELL_MM), mode="constant", cval=-np.inf)
    filled = np.argwhere(np.isfinite(top))
    weight = np.exp((top - np.where(np.isfinite(highest), highest, 0.0))[tuple(filled.T)] / CREST_FALL_MM)
    plan = np.asarray((filled - 100 + 0.5) * CELL_MM, dtype=np.float64)
    return (
        plan,
        top[tuple(filled.T)],
        np.asarray(weight, dtype=np.float64),
        np.asarray(middle, dtype=np.float64),
    )


def _bow(plan: Floats, weight: Floats, turn: float) -> tuple[float, tuple[float, float, float]]:
    """How badly a parabola open to the back fits the crest when the front lies at `turn` in the plan: mean distance in
    mm, infinite where the best parabola is open to the front; and its three numbers."""
    front, side = np.array([np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), -np.cos(turn)])
    x, y = plan @ side, plan @ front
    design = np.stack([np.ones_like(x), x, x * x], axis=1)
    w = weight
    solution = np.zeros(3)
    for _ in range(3):
        lhs = (design * w[:, None]).T @ design + 1e-9 * np.eye(3)
        solution = np.linalg.solve(lhs, (design * w[:, None]).T @ y)
        gap = (y - design @ solution) / np.sqrt(1.0 + (solution[1] + 2.0 * solution[2] * x) ** 2)
        w = weight / (1.0 + (gap / 3.0) ** 2)
    miss = float((weight * np.minimum(np.abs(gap), 12.0)).sum() / weight.sum())
    a, b, c = (float(s) for s in solution)
    return (miss if c < -1e-3 else np.inf), (a, b, c)

"""Where bodies may stand, and of which kind: on each likely axis every kind is tried, and the one that explains most wins."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bodies.cells import Cells
from server.metrology.bodies.fitting import COARSE_MM, FINE_MM, REACHES_MM, BodyFit, Paired, pair, settle
from server.metrology.bodies.placing import FirstPose, first_poses
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.bodies.voting import AxisGuess, axis_guesses
from server.metrology.rigid import Array, apply, inverse
from server.metrology.scan import Points

Ints = NDArray[np.int64]

SAME_RADIUS_MM = 0.08
SAME_LINE_MM = 0.5
SAME_LINE_COS = 0.97
SAME_LINE_ALONG_MM = 4.0
POSES = 2
"""First poses of a kind that are fitted on one axis."""
OTHER_WAY_RATIO = 0.8
UNLIKELY_RATIO = 0.6
AROUND_MM = 1.0
FEW = 250
"""Cells on which first poses are compared; they place a body to some hundredths of a millimetre."""
LEAST_SUPPORT_RATIO = 0.12
"""Less of a body's area than this is no evidence worth a fit."""
LEAST_EXPLAINED_RATIO = 0.2
LEAST_EXPLAINED_MM2 = 6.0
LEAST_TURN_SHARE = 0.3
MOST_SCATTER_MM = 0.15
SHARED_RATIO = 0.3
ON_BODY_MM, NEARLY_ON_BODY_MM = 0.15, 0.25
"""Where a cell stops speaking for a body, after the last fit and after a coarse one: five times the scatter of a poor
scanner, 0.03 mm, and the reach of the coarse steps."""
DEEP_MM, DEEPEST_MM = 0.3, 3.0
BY_HAND_MM = (1.5, 1.0)
"""Reach of the first steps from a pose said by hand: spots are hit to half a millimetre or so, a few millimetres apart."""


@dataclass(frozen=True, slots=True)
class KindFit:
    """How one kind fits at a place: the area it explains, less what it would have hidden, and the scatter left."""

    body: str
    explained_mm2: float
    rms_mm: float
    T_scan_body: Array


@dataclass(frozen=True, slots=True)
class Candidate:
    """kind: index of the reference body; owned: indices of the cells on it; kinds: how all kinds fit there, the best
    first."""

    kind: int
    owned: Ints
    kinds: tuple[KindFit, ...]

    @property
    def best(self) -> KindFit:
        return self.kinds[0]


def candidates_in(
    cells: Cells, near: cKDTree, kinds: Sequence[ReferenceBody], expected: int
) -> list[Candidate]:
    """The places where a body may stand, the one that explains most first; none owns much of what one before it does.

    near: a tree of the cells' points; expected: about how many there may be.
    """
    made = [_place(cells, near, guess, kinds) for guess in _guesses(cells, near, kinds, expected)]
    taken = np.zeros(len(cells.points), dtype=bool)
    chosen = []
    for place in sorted((p for p in made if p is not None), key=lambda p: -p.best.fit.explained_mm2):
        if taken[place.best.owned].mean() < SHARED_RATIO:
            c = _candidate(cells, near, place, kinds)
            chosen.append(c)
            taken[c.owned] = True
    return chosen


@dataclass(frozen=True, slots=True)
class Start:
    """A pose said by hand. kind: index of the reference body; T_scan_body: (4, 4)."""

    kind: int
    T_scan_body: Array


def candidate_from(
    cells: Cells, near: cKDTree, kinds: Sequence[ReferenceBody], start: Start
) -> Candidate | None:
    """The body that was said to stand there, however little of it was caught; None where no surface lies on it."""
    body = kinds[start.kind]
    around = _around(cells, near, body, start.T_scan_body)
    fit = settle(
        body, start.T_scan_body, cells.points[around], cells.normals[around], BY_HAND_MM + REACHES_MM
    )
    if fit is None:
        return None
    around = _around(cells, near, body, fit.T_scan_body)
    told, owned = _explained(cells, around, body, fit, ON_BODY_MM)
    if told.explained_mm2 <= 0.0 or told.rms_mm > MOST_SCATTER_MM:
        return None
    return Candidate(start.kind, owned, (told,))


def _guesses(cells: Cells, near: cKDTree, kinds: Sequence[ReferenceBody], expected: int) -> list[AxisGuess]:
    """Axes by the radii of all kinds, each line once, the one with most votes first."""
    radii: list[float] = []
    for radius in sorted(r for kind in kinds for r in kind.radii_mm):
        if not radii or radius - radii[-1] > SAME_RADIUS_MM:
            radii.append(radius)
    made = [g for radius in radii for g in axis_guesses(cells, near, radius, 3 * expected + 8)]
    apart: list[AxisGuess] = []
    for guess in sorted(made, key=lambda g: -g.votes_mm2):
        if not any(_is_same_line(guess, other) for other in apart):
            apart.append(guess)
    return apart[: 4 * expected + 12]


def _is_same_line(a: AxisGuess, b: AxisGuess) -> bool:
    offset = a.point_mm - b.point_mm
    along = float(offset @ b.direction)
    aside = float(np.sqrt(max(float(offset @ offset) - along**2, 0.0)))
    return (
        abs(along) < SAME_LINE_ALONG_MM
        and aside < SAME_LINE_MM
        and abs(float(a.direction @ b.direction)) > SAME_LINE_COS
    )


@dataclass(frozen=True, slots=True)
class _Tried:
    """How a kind, by its index, fits at a place, and the indices of the cells on it."""

    fit: KindFit
    owned: Ints
    kind: int


@dataclass(frozen=True, slots=True)
class _Place:
    """tried: how the likely kinds fit there, the best first; unlikely: the first pose of each of the others."""

    tried: tuple[_Tried, ...]
    unlikely: tuple[tuple[int, FirstPose], ...]

    @property
    def best(self) -> _Tried:
        return self.tried[0]


def _place(cells: Cells, near: cKDTree, guess: AxisGuess, kinds: Sequence[ReferenceBody]) -> _Place | None:
    """A place where a body of some kind stands, as far as can be told from the kinds that are likely there."""
    poses = [_worth_a_fit(first_poses(cells, near, guess, body)) for body in kinds]
    least = UNLIKELY_RATIO * max((p.support_mm2 for few in poses for p in few), default=0.0)
    likely = [k for k, few in enumerate(poses) if few and few[0].support_mm2 > least]
    tried = _ranked(_best_of(cells, near, kinds, k, poses[k]) for k in likely)
    if not tried:
        return None
    best = tried[0]
    enough = max(LEAST_EXPLAINED_MM2, LEAST_EXPLAINED_RATIO * kinds[best.kind].area_mm2)
    if best.fit.explained_mm2 < enough or best.fit.rms_mm > MOST_SCATTER_MM:
        return None
    if _turn_share(best.fit, cells.points[best.owned]) < LEAST_TURN_SHARE:
        return None
    others = ((k, few[0]) for k, few in enumerate(poses) if few and k not in likely)
    return _Place(tried, tuple(others))


def _worth_a_fit(poses: Sequence[FirstPose]) -> list[FirstPose]:
    """The best POSES, and the best of the other way up where it is hardly worse: on a plain side both fit alike until the top
    is looked at."""
    kept = list(poses[:POSES])
    for other in poses[POSES:]:
        is_turned = all(float(other.T_scan_body[:3, 2] @ one.T_scan_body[:3, 2]) < 0.0 for one in kept)
        if is_turned and other.support_mm2 > OTHER_WAY_RATIO * kept[0].support_mm2:
            return [*kept, other]
    return kept


def _candidate(cells: Cells, near: cKDTree, place: _Place, kinds: Sequence[ReferenceBody]) -> Candidate:
    """With the kinds that are unlikely there, tried from one pose, to say how well they would do."""
    more = (_best_of(cells, near, kinds, k, (pose,)) for k, pose in place.unlikely)
    ranked = _ranked([*place.tried, *more])
    return Candidate(ranked[0].kind, ranked[0].owned, tuple(one.fit for one in ranked))


def _ranked(tried: Iterable[_Tried | None]) -> tuple[_Tried, ...]:
    return tuple(sorted((t for t in tried if t is not None), key=lambda t: -t.fit.explained_mm2))


def _best_of(
    cells: Cells, near: cKDTree, kinds: Sequence[ReferenceBody], kind: int, poses: Sequence[FirstPose]
) -> _Tried | None:
    """The best fit of one kind from its first poses, compared after coarse steps on FEW of the cells."""
    body = kinds[kind]
    best: tuple[KindFit, Ints] | None = None
    for pose in poses:
        if pose.support_mm2 < LEAST_SUPPORT_RATIO * body.area_mm2:
            continue
        around = _around(cells, near, body, pose.T_scan_body)
        few = around[:: max(1, len(around) // FEW)]
        coarse = settle(body, pose.T_scan_body, cells.points[few], cells.normals[few], COARSE_MM)
        if coarse is not None:
            made = _explained(cells, few, body, coarse, NEARLY_ON_BODY_MM)
            if best is None or made[0].explained_mm2 > best[0].explained_mm2:
                best = made
    if best is None:
        return None
    around = _around(cells, near, body, best[0].T_scan_body)
    fit = settle(body, best[0].T_scan_body, cells.points[around], cells.normals[around], FINE_MM)
    return None if fit is None else _Tried(*_explained(cells, around, body, fit, ON_BODY_MM), kind)


def _around(cells: Cells, near: cKDTree, body: ReferenceBody, T: Array) -> Ints:
    """The cells in the body's hull and within AROUND_MM of it."""
    middle = T[:3, 3] + 0.5 * body.height_mm * T[:3, 2]
    reach = float(np.hypot(0.5 * body.height_mm + AROUND_MM, body.reach_mm + AROUND_MM))
    ball = np.asarray(near.query_ball_point(middle, reach), dtype=np.int64)
    q = apply(inverse(T), cells.points[ball])
    hull = (q[:, 2] > -AROUND_MM) & (q[:, 2] < body.height_mm + AROUND_MM)
    hull &= q[:, 0] ** 2 + q[:, 1] ** 2 < (body.reach_mm + AROUND_MM) ** 2
    return ball[hull]


def _explained(
    cells: Cells, around: Ints, body: ReferenceBody, fit: BodyFit, within_mm: float
) -> tuple[KindFit, Ints]:
    """The area of cells that lie on the body, by a weight that falls to nothing at `within_mm`, less that of cells inside
    it, which a solid body would have hidden."""
    points, area = cells.points[around], cells.areas_mm2[around]
    paired = pair(body, fit.T_scan_body, points, cells.normals[around], DEEP_MM)
    share = np.where(paired.counts, np.maximum(0.0, 1.0 - (paired.residual_mm / within_mm) ** 2), 0.0)
    hidden = float(area[_deep_inside(body, fit.T_scan_body, points, paired)].sum())
    explained = float((area * share).sum()) - hidden
    return KindFit(body.id, explained, fit.rms_mm, fit.T_scan_body), around[share > 0.0]


def _deep_inside(body: ReferenceBody, T_scan_body: Array, points: Points, paired: Paired) -> Ints:
    """Which points lie within the body, farther than DEEP_MM from its surface."""
    q = apply(inverse(T_scan_body), points)
    far = np.isnan(paired.at[:, 0]) & (q[:, 2] > DEEP_MM) & (np.hypot(q[:, 0], q[:, 1]) < body.reach_mm)
    asked = np.flatnonzero(far)
    nearest = body.tree.nearest(q[asked], DEEPEST_MM)
    met = nearest.facets >= 0
    gap = q[asked[met]] - nearest.points[met]
    behind = np.einsum("ij,ij->i", gap, body.facet_normals[nearest.facets[met]]) < -DEEP_MM
    return np.asarray(asked[met][behind], dtype=np.int64)


def _turn_share(fit: KindFit, points: Points) -> float:
    """The share of 24 directions about the axis in which points lie on the body."""
    q = apply(inverse(fit.T_scan_body), points)
    side = np.hypot(q[:, 0], q[:, 1]) > 0.6
    bins = ((np.arctan2(q[side, 1], q[side, 0]) / (2.0 * np.pi) % 1.0) * 24).astype(np.int64)
    return len(np.unique(bins)) / 24.0

"""Which pose of one set is which of another: no labels, any frames, missing and extra ones allowed.

Any two poses, positions and axes, give a rigid motion (det +1); every two of A are tried on every two of B alike in
distance and in the angle of their axes. Motions that bring most poses near one another are settled by all they bring
together, and what comes out is one assignment each. Up to ten sites, that is some thousand motions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from server.metrology.constellation.poses import Floats, Paired, Poses, angles_rad
from server.metrology.constellation.seating import LEVER_MM, misfit_of, seated

Ints = NDArray[np.int64]

DISTANCE_SLACK_MM = 2.5
"""One site off by 1 mm in an arch bent by 0.5 mm or stretched by a hundredth changes no distance by more."""
ANGLE_SLACK_DEG = 12.0
NEAR_MM = 4.0
"""Reach of a motion from two poses only; axes 1° off at one end of an arch are 1 mm off at the other."""
GATE_MM = 3.0
"""Poses farther apart than this after settling are not one site: implants stand 3 mm apart and more (Tarnow 2000)."""
SPREAD_MM, SPREAD_DEG = 0.5, 4.0
LEFT_OVER = (GATE_MM / SPREAD_MM) ** 2
"""Cost of a pose without a partner."""
MOST_SETTLED = 12
ROUNDS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Assignment:
    """in_a, in_b: (k,) indices of pairs, by rising index in A. cost: sum over pairs and leftovers of how far apart they are."""

    in_a: Ints
    in_b: Ints
    cost: float

    @property
    def key(self) -> tuple[tuple[int, int], ...]:
        return tuple((int(i), int(j)) for i, j in zip(self.in_a, self.in_b, strict=True))

    def of(self, a: Poses, b: Poses) -> Paired:
        return Paired(a.taken(self.in_a), b.taken(self.in_b))


def assignments(a: Poses, b: Poses) -> list[Assignment]:
    """Assignments that differ, the one that brings most together first; empty where no two poses of each set are alike."""
    source, target = _alike(a, b)
    if not len(source):
        return []
    T = rigid_fits(source, target)
    cost = np.concatenate([_nearest_cost(a, b, t) for t in np.array_split(T, len(T) // 512 + 1)])
    found: dict[tuple[tuple[int, int], ...], Assignment] = {}
    for k in _unlike(T, cost, a):
        one = _settled(a, b, T[k])
        if one is not None:
            found.setdefault(one.key, one)
    return sorted(found.values(), key=lambda one: (one.cost, one.key))


def _alike(a: Poses, b: Poses) -> tuple[Floats, Floats]:
    """Corresponding points (k, 4, 3) of B and of A, two poses each, for every two of A and of B alike."""
    i, j = np.triu_indices(len(a), 1)
    p, q = (x.ravel() for x in np.indices((len(b), len(b))))
    p, q = p[p != q], q[p != q]
    far_a, turn_a = _between(a, i, j)
    far_b, turn_b = _between(b, p, q)
    alike = np.abs(far_a[:, None] - far_b) < DISTANCE_SLACK_MM
    alike &= np.abs(turn_a[:, None] - turn_b) < np.radians(ANGLE_SLACK_DEG)
    k, m = np.nonzero(alike)
    return _points(b, p[m], q[m]), _points(a, i[k], j[k])


def _between(s: Poses, i: Ints, j: Ints) -> tuple[Floats, Floats]:
    return np.linalg.norm(s.positions_mm[i] - s.positions_mm[j], axis=1), angles_rad(s.axes[i], s.axes[j])


def _points(s: Poses, i: Ints, j: Ints) -> Floats:
    tips = s.positions_mm + LEVER_MM * s.axes
    return np.stack([s.positions_mm[i], s.positions_mm[j], tips[i], tips[j]], axis=1)


def rigid_fits(source: Floats, target: Floats) -> Floats:
    """(k, 4, 4) rigid motions, det +1, of point sets (k, m, 3) (Kabsch 1976)."""
    mean_s, mean_t = source.mean(axis=1), target.mean(axis=1)
    H = np.einsum("kmi,kmj->kij", target - mean_t[:, None], source - mean_s[:, None])
    u, _, vt = np.linalg.svd(H)
    u[:, :, 2] *= np.sign(np.linalg.det(u) * np.linalg.det(vt))[:, None]
    T = np.tile(np.eye(4), (len(source), 1, 1))
    T[:, :3, :3] = u @ vt
    T[:, :3, 3] = mean_t - np.einsum("kij,kj->ki", T[:, :3, :3], mean_s)
    return T


def _pair_costs(a: Poses, b: Poses, T: Floats) -> tuple[Floats, Floats]:
    """(..., n, m) cost and distance of every pose of A to every one of B under motions (..., 4, 4)."""
    at = b.positions_mm @ np.swapaxes(T[..., :3, :3], -1, -2) + T[..., None, :3, 3]
    axes = b.axes @ np.swapaxes(T[..., :3, :3], -1, -2)
    far = np.linalg.norm(a.positions_mm[:, None] - at[..., None, :, :], axis=-1)
    angle = angles_rad(a.axes[:, None], axes[..., None, :, :])
    return (far / SPREAD_MM) ** 2 + (np.degrees(angle) / SPREAD_DEG) ** 2, far


def _nearest_cost(a: Poses, b: Poses, T: Floats) -> Floats:
    cost, _ = _pair_costs(a, b, T)
    return np.asarray(np.minimum(cost.min(axis=-1), (NEAR_MM / SPREAD_MM) ** 2).sum(axis=-1))


def _unlike(T: Floats, cost: Floats, a: Poses) -> list[int]:
    """The best MOST_SETTLED motions of those that differ by more than a few millimetres about A."""
    centre = a.positions_mm.mean(axis=0)
    probes = np.concatenate([centre + 20.0 * np.eye(3), centre - 20.0 * np.eye(3)])
    where = np.einsum("kji,kmj->kmi", T[:, :3, :3], probes[None] - T[:, None, :3, 3])
    left = np.argsort(cost, kind="stable")
    kept: list[int] = []
    while len(left) and len(kept) < MOST_SETTLED:
        kept.append(int(left[0]))
        left = left[np.abs(where[left] - where[left[0]]).max(axis=(1, 2)) > NEAR_MM]
    return kept


def _settled(a: Poses, b: Poses, T: Floats) -> Assignment | None:
    """The assignment a motion leads to, fitted and assigned anew until it stays; None below two pairs."""
    reach, last = NEAR_MM, None
    for _ in range(ROUNDS + 1):
        one = _assigned(a, b, T, reach)
        if len(one.in_a) < 2 or (last is not None and reach == GATE_MM and one.key == last.key):
            break
        pairs = one.of(a, b)
        far = np.linalg.norm(misfit_of(pairs, T).shift_mm, axis=1)
        T = seated(pairs, 1.0 / (1.0 + (far / SPREAD_MM) ** 2))
        last, reach = one, GATE_MM
    return one if len(one.in_a) >= 2 else None


def _assigned(a: Poses, b: Poses, T: Floats, reach_mm: float) -> Assignment:
    cost, far = _pair_costs(a, b, T)
    left = (reach_mm / SPREAD_MM) ** 2
    i, j = linear_sum_assignment(np.where(far < reach_mm, np.minimum(cost, 2.0 * left), 2.0 * left + 1.0))
    is_near = far[i, j] < reach_mm
    i, j = i[is_near], j[is_near]
    total = float(np.minimum(cost[i, j], LEFT_OVER).sum()) + LEFT_OVER * (len(a) + len(b) - 2 * len(i)) / 2.0
    return Assignment(np.asarray(i, dtype=np.int64), np.asarray(j, dtype=np.int64), total)

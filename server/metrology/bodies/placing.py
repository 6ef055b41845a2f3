"""From the line of an axis to a first pose: which end is up, where the seat is, which way the index feature points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bodies.cells import Cells
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.bodies.voting import AxisGuess
from server.metrology.scan import Points

Floats = NDArray[np.float64]

PROFILE_MM = 0.1
FIELD_MM = 0.2
MARGIN_MM = 0.8
REACH_MM = 0.35
"""Points farther than this from the surface speak neither for nor against it."""
SEAT_STEP_MM = 0.2
TURNS = 24
SEATS = 3
PLATEAU_RATIO = 0.7
CLOCKS = 2
SURE_MM = 0.25
SURE_SHARE, SURE_MM2 = 0.1, 0.3
"""The turn counts as sure where any other explains less, by this share of what it would of a body caught whole, and this
much."""


@dataclass(frozen=True, slots=True)
class FirstPose:
    """T_scan_body: (4, 4). support_mm2: area of the scan that lies on the body, less what lies inside it."""

    T_scan_body: Floats
    support_mm2: float


@dataclass(frozen=True, slots=True)
class _Maps:
    """Distances to the surface: by (r, z), and by (x, y, z); `low` is the coordinate of the first node of each."""

    profile: Floats
    profile_low: Floats
    field: Floats
    field_low: Floats


@lru_cache(maxsize=64)
def _maps(body: ReferenceBody) -> _Maps:
    r = np.hypot(body.points[:, 0], body.points[:, 1])
    is_turned = ~body.is_index if body.is_round else np.ones(len(r), dtype=bool)
    turned = np.column_stack([r, body.points[:, 2]])[is_turned]
    nr = int(np.ceil((body.reach_mm + MARGIN_MM) / PROFILE_MM)) + 1
    nz = int(np.ceil((body.height_mm + 2 * MARGIN_MM) / PROFILE_MM)) + 1
    grid = np.stack(
        np.meshgrid(np.arange(nr) * PROFILE_MM, np.arange(nz) * PROFILE_MM - MARGIN_MM, indexing="ij"), -1
    )
    profile = cKDTree(turned).query(grid.reshape(-1, 2))[0].reshape(nr, nz)
    inside = _inside_profile(turned, grid)
    profile[inside & (profile > REACH_MM)] = -1.0
    reach = body.reach_mm + MARGIN_MM
    n = int(np.ceil(2 * reach / FIELD_MM)) + 1
    m = int(np.ceil((body.height_mm + 2 * MARGIN_MM) / FIELD_MM)) + 1
    low = np.array([-reach, -reach, -MARGIN_MM])
    nodes = (
        np.stack(np.meshgrid(np.arange(n), np.arange(n), np.arange(m), indexing="ij"), -1) * FIELD_MM + low
    )
    field = cKDTree(body.points).query(nodes.reshape(-1, 3), distance_upper_bound=1.5)[0].reshape(n, n, m)
    return _Maps(profile, np.array([0.0, -MARGIN_MM]), np.minimum(field, 1.5), low)


def _inside_profile(turned: Floats, grid: Floats) -> NDArray[np.bool_]:
    """Nodes nearer to the axis than the surface at their height."""
    z = np.round(turned[:, 1] / PROFILE_MM).astype(np.int64)
    top = z.max()
    widest = np.zeros(top + 1)
    np.maximum.at(widest, np.clip(z, 0, top), turned[:, 0])
    k = np.round(grid[..., 1] / PROFILE_MM).astype(np.int64)
    here = np.where((k >= 0) & (k <= top), widest[np.clip(k, 0, top)], 0.0)
    return np.asarray(grid[..., 0] < here)


def first_poses(cells: Cells, near: cKDTree, guess: AxisGuess, body: ReferenceBody) -> list[FirstPose]:
    """The best few poses of the body on that axis, the best first."""
    maps = _maps(body)
    span = body.height_mm + 6.0
    around = np.asarray(near.query_ball_point(guess.point_mm, span + 1.0), dtype=np.int64)
    offset = cells.points[around] - guess.point_mm
    along = offset @ guess.direction
    r = np.sqrt(np.maximum(np.einsum("ij,ij->i", offset, offset) - along**2, 0.0))
    close = r < body.reach_mm + MARGIN_MM
    area = cells.areas_mm2[around[close]]
    seats = np.arange(-span, 3.0, SEAT_STEP_MM)
    by_way = [
        (sign, _support_by_seat(maps.profile, r[close], sign * along[close], area, seats))
        for sign in (1.0, -1.0)
    ]
    points = cells.points[around[close]]
    poses = []
    for sign, seat in _seats_to_try(body, seats, by_way):
        frame = _frame(guess.point_mm + sign * seat * guess.direction, sign * guess.direction)
        poses += _clocked(maps, points, area, frame)
    return sorted(poses, key=lambda p: -p.support_mm2)


def _seats_to_try(
    body: ReferenceBody, seats: Floats, by_way: list[tuple[float, Floats]]
) -> list[tuple[float, float]]:
    """Ways up and seats on the axis, (sign, mm). by_way: for either way the support of every seat.

    Where the body has a top that turning does not change, its support peaks at its seat. A body whose only top is a slant or
    a step tells its height by that alone: of it every seat is tried that its sides allow.
    """
    if not body.has_plain_top:
        most = max(float(support.max()) for _, support in by_way)
        return [
            (sign, float(seats[k]))
            for sign, support in by_way
            for k in np.flatnonzero(support > PLATEAU_RATIO * most)[::2]
            if most > 0.0
        ]
    found = [
        (float(support[k]), sign, float(seats[k]))
        for sign, support in by_way
        for k in np.flatnonzero(_is_peak(support))
    ]
    found.sort(reverse=True)
    return [(sign, seat) for _, sign, seat in _both_ways(found)]


def _both_ways(found: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """The best SEATS, and among them the best of either way up: a plain side fits a body on its head as well, what tells the
    two apart is tried only afterwards."""
    kept = found[:SEATS]
    other = [one for one in found[SEATS:] if kept and one[1] != kept[0][1]]
    is_one_way = all(one[1] == kept[0][1] for one in kept)
    return [*kept, *other[:1]] if is_one_way else kept


def _is_peak(values: Floats) -> NDArray[np.bool_]:
    padded = np.concatenate([[-np.inf] * 2, values, [-np.inf] * 2])
    n = len(values)
    return np.asarray(np.all([values >= padded[k : k + n] for k in (0, 1, 3, 4)], axis=0) & (values > 0.0))


def _frame(seat: Floats, axis: Floats) -> Floats:
    """A frame on the axis with any clocking."""
    aside = np.eye(3)[int(np.argmin(np.abs(axis)))]
    x = np.cross(aside, axis)
    x /= np.linalg.norm(x)
    T = np.eye(4)
    T[:3, 0], T[:3, 1], T[:3, 2], T[:3, 3] = x, np.cross(axis, x), axis, seat
    return T


def _clocked(maps: _Maps, points: Points, area: Floats, frame: Floats) -> list[FirstPose]:
    """The best CLOCKS turns of the body about its axis, 45 degrees or more apart."""
    local = (points - frame[:3, 3]) @ frame[:3, :3]
    turns = np.arange(TURNS) * 2.0 * np.pi / TURNS
    support = _support_by_turn(maps.field, maps.field_low, local, area, turns, REACH_MM)
    poses: list[FirstPose] = []
    taken: list[int] = []
    for k in np.argsort(-support, kind="stable"):
        if all(min((k - j) % TURNS, (j - k) % TURNS) >= TURNS // 8 for j in taken):
            taken.append(int(k))
            c, s = np.cos(turns[k]), np.sin(turns[k])
            T = frame.copy()
            T[:3, 0], T[:3, 1] = c * frame[:3, 0] + s * frame[:3, 1], c * frame[:3, 1] - s * frame[:3, 0]
            poses.append(FirstPose(T, float(support[k])))
        if len(taken) == CLOCKS:
            break
    return poses


def is_clock_sure(cells: Cells, body: ReferenceBody, T_scan_body: Floats) -> bool:
    """Whether every turn about the axis by an eighth or more explains clearly less of the scan than the pose at hand.

    Clearly: by SURE_SHARE of what the same turn costs the whole body, and by an area that scatter does not make up.
    """
    if not body.is_index.any():
        return False
    near = cells.points - T_scan_body[:3, 3]
    close = np.flatnonzero(np.einsum("ij,ij->i", near, near) < (body.height_mm + body.reach_mm) ** 2)
    local = near[close] @ T_scan_body[:3, :3]
    matters = _where_turning_matters(body, local)
    lost = _lost_by_turns(body, local[matters], cells.areas_mm2[close[matters]])
    return bool((lost > np.maximum(SURE_SHARE * _lost_of_all(body), SURE_MM2)).all())


@lru_cache(maxsize=64)
def _lost_of_all(body: ReferenceBody) -> Floats:
    """What turns cost a body caught whole, (n,) mm²."""
    matters = _where_turning_matters(body, body.points)
    return _lost_by_turns(body, body.points[matters], np.full(int(matters.sum()), body.area_per_sample_mm2))


def _lost_by_turns(body: ReferenceBody, local: Points, areas_mm2: Floats) -> Floats:
    """How much less of points (n, 3) in the body's frame it explains when turned about its axis, mm², for each of the
    TURNS that are an eighth or more off."""
    turns = np.concatenate([[0], np.arange(TURNS // 8, TURNS - TURNS // 8 + 1)]) * 2.0 * np.pi / TURNS
    c, s = np.cos(turns)[:, None], np.sin(turns)[:, None]
    x, y = local[:, 0], local[:, 1]
    turned = np.stack([c * x + s * y, c * y - s * x, np.tile(local[:, 2], (len(turns), 1))], axis=-1)
    d = body.tree.nearest(turned.reshape(-1, 3), SURE_MM).distance_mm.reshape(len(turns), -1)
    support = (1.0 - np.minimum(d / SURE_MM, 1.0) ** 2) @ areas_mm2
    return np.asarray(support[0] - support[1:])


def _where_turning_matters(body: ReferenceBody, local: Points) -> NDArray[np.bool_]:
    """Which points lie as high and as far out as the index feature does; elsewhere a turn changes nothing."""
    index = body.points[body.is_index]
    r, z = np.hypot(local[:, 0], local[:, 1]), local[:, 2]
    low, high = index[:, 2].min() - SURE_MM, index[:, 2].max() + SURE_MM
    return np.asarray((z > low) & (z < high) & (r > np.hypot(index[:, 0], index[:, 1]).min() - SURE_MM))


@njit(cache=True, nogil=True)
def _support_by_seat(profile: Floats, r: Floats, along: Floats, area: Floats, seats: Floats) -> Floats:
    out = np.zeros(len(seats))
    for k in range(len(seats)):
        for i in range(len(r)):
            a = int(r[i] / PROFILE_MM + 0.5)
            b = int(np.floor((along[i] - seats[k] + MARGIN_MM) / PROFILE_MM + 0.5))
            if a < profile.shape[0] and 0 <= b < profile.shape[1]:
                d = profile[a, b]
                if d < 0.0:
                    out[k] -= area[i]
                elif d < REACH_MM:
                    out[k] += area[i] * (1.0 - (d / REACH_MM) ** 2)
    return out


@njit(cache=True, nogil=True)
def _support_by_turn(
    field: Floats, low: Floats, local: Points, area: Floats, turns: Floats, reach_mm: float
) -> Floats:
    out = np.zeros(len(turns))
    for k in range(len(turns)):
        c, s = np.cos(turns[k]), np.sin(turns[k])
        for i in range(len(local)):
            x, y = c * local[i, 0] + s * local[i, 1], c * local[i, 1] - s * local[i, 0]
            a = int(np.floor((x - low[0]) / FIELD_MM + 0.5))
            b = int(np.floor((y - low[1]) / FIELD_MM + 0.5))
            h = int(np.floor((local[i, 2] - low[2]) / FIELD_MM + 0.5))
            if 0 <= a < field.shape[0] and 0 <= b < field.shape[1] and 0 <= h < field.shape[2]:
                d = field[a, b, h]
                if d < reach_mm:
                    out[k] += area[i] * (1.0 - (d / reach_mm) ** 2)
    return out

"""Plans where implants stand and how they lean, so that a clean mouth keeps every default limit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.dice import Dice, dice, pick
from seed_data.phantoms.layout import JawLayout
from seed_data.phantoms.reference_mesh import reference_mesh
from seed_data.phantoms.ridge import Soft
from seed_data.phantoms.rigid import about, angle_between_deg, frame_on, move, rigid, turn
from seed_data.phantoms.solids import DentureSolid, Placed
from server.records.teeth import Arch

Floats = NDArray[np.float64]

DIVERGENCE_DEG = 36.5
CLEARANCE_MM = 1.4
WALL_MM = 2.3
EDGE_MM = 3.4
FACIAL_MM = 2.6
TRIES = 60

PATTERNS: dict[Arch, dict[int, tuple[tuple[int, ...], ...]]] = {
    Arch.UPPER: {
        4: ((-5, -2, 2, 5), (-4, -2, 2, 4), (-5, -3, 3, 5), (-5, -2, 3, 6)),
        5: ((-5, -3, -1, 3, 5), (-6, -3, 1, 3, 5), (-6, -4, -2, 2, 5)),
        6: ((-6, -4, -2, 2, 4, 6), (-5, -3, -1, 1, 3, 5), (-6, -4, -2, 2, 4, 5)),
        7: ((-6, -4, -3, 1, 3, 4, 6), (-6, -5, -3, -1, 2, 4, 6)),
        8: ((-6, -5, -3, -1, 1, 3, 5, 6), (-6, -5, -3, -1, 2, 4, 5, 6)),
    },
    Arch.LOWER: {
        4: ((-5, -2, 2, 5), (-4, -2, 2, 4), (-5, -3, 3, 5), (-6, -3, 2, 5)),
        5: ((-5, -3, -1, 3, 5), (-6, -3, 1, 3, 5), (-6, -4, -2, 2, 5)),
        6: ((-6, -4, -2, 2, 4, 6), (-6, -5, -3, 3, 5, 6), (-6, -4, -2, 2, 4, 5)),
        7: ((-6, -5, -3, 1, 3, 5, 6), (-6, -5, -4, -2, 2, 4, 6)),
        8: ((-6, -5, -4, -2, 2, 4, 5, 6), (-6, -5, -3, -1, 2, 4, 5, 6)),
    },
}
"""Places by side (sign of u) and tooth number from the midline."""


@dataclass(frozen=True, slots=True)
class Planned:
    """One implant: the side (sign of u) and number of its tooth, its kind of body and where that stands."""

    side: int
    number: int
    placed: Placed


def pattern_for(rng: Dice, arch: Arch, count: int) -> tuple[int, ...]:
    choices = PATTERNS[arch][count]
    chosen = choices[int(rng.integers(len(choices)))]
    return chosen if rng.random() < 0.5 else tuple(sorted(-p for p in chosen))


def plan_sites(
    seed: int,
    layout: JawLayout,
    soft: Soft,
    denture: DentureSolid,
    pattern: tuple[int, ...],
    kinds: tuple[str, ...],
) -> tuple[Planned, ...]:
    """Sites from u < 0 to u > 0. Each is drawn again, less tilted each time, until it fits the mouth and its
    neighbours. Raises LookupError where none does."""
    rng = dice(seed, "sites")
    back_lean_deg = pick(rng, 0.0, 38.0) if rng.random() < 0.6 else pick(rng, 0.0, 10.0)
    spread_deg = pick(rng, 2.0, 11.0)
    ends = (min(pattern), max(pattern))
    done: list[Planned] = []
    for place, kind in zip(pattern, kinds, strict=True):
        for k in range(TRIES):
            calm = 1.0 - k / TRIES
            lean = back_lean_deg if abs(place) >= max(abs(p) for p in pattern) - 1 and abs(place) > 3 else 0.0
            site = _draw(rng, layout, soft, place, kind, lean * calm, spread_deg * calm, place in ends)
            if _fits(site, done, layout, denture):
                done.append(site)
                break
        else:
            raise LookupError(f"no room for a body at place {place}")
    return tuple(done)


def _draw(
    rng: Dice,
    layout: JawLayout,
    soft: Soft,
    place: int,
    kind: str,
    lean_back_deg: float,
    spread_deg: float,
    is_last: bool,
) -> Planned:
    side, number = int(np.sign(place)), abs(place)
    s = layout.crest_s_of(number, side) + side * pick(rng, -0.2 if is_last else -0.9, 0.9)
    out = layout.crest.outward_at(s)
    uv = layout.crest.at(s) + out * pick(rng, -0.6, 0.2)
    outward = np.array([out[0], out[1], 0.0])
    up = np.array([0.0, 0.0, 1.0])
    back = np.array([out[1], -out[0], 0.0]) * (1.0 if -out[0] < 0.0 else -1.0)
    back = back if back[1] <= 0.0 else -back
    axis = about(np.cross(up, back), np.radians(lean_back_deg * pick(rng, 0.85, 1.0))) @ up
    axis = about(outward, np.radians(pick(rng, -spread_deg, spread_deg))) @ axis
    inward = pick(rng, -2.0, spread_deg) if number <= 3 else pick(rng, -0.5, 0.5) * spread_deg
    axis = about(np.cross(up, outward), -np.radians(inward)) @ axis
    tilt = np.radians(angle_between_deg(axis, up))
    rise = pick(rng, 0.3, 0.8) + 1.9 * np.sin(tilt)
    foot = float(soft.surface.at(uv[None, :])[0])
    seat = np.array([uv[0], uv[1], foot + rise])
    clock = turn(rigid(about(axis, pick(rng, 0.0, 2 * np.pi)), seat), outward)
    return Planned(side, number, Placed(kind, rigid(frame_on(axis, clock), seat)))


def _fits(site: Planned, done: list[Planned], layout: JawLayout, denture: DentureSolid) -> bool:
    if any(angle_between_deg(site.placed.axis, other.placed.axis) > DIVERGENCE_DEG for other in done):
        return False
    if any(clearance_mm(site.placed, other.placed) < CLEARANCE_MM for other in done):
        return False
    alone = replace(denture, jaw=replace(denture.jaw, standing=(site.placed,)))
    if (alone.outer(body_points(site.placed)) > -WALL_MM).any():
        return False
    if (alone.outer(_tissue_near(site.placed, alone)) > -WALL_MM).any():
        return False
    leaves = channel_exit(site.placed, alone)
    return leaves is not None and exits_well(leaves, layout, denture)


def exits_well(point: Floats, layout: JawLayout, denture: DentureSolid) -> bool:
    """Whether a screw channel leaves well on the tongue side of edges and outer cusps."""
    _, across = layout.facial.along(point[None, :2])
    front = np.flatnonzero(denture.teeth.numbers <= 3)
    edges = np.concatenate([denture.teeth.chewing_points(int(k)) for k in front])
    far = float(np.linalg.norm(edges - point, axis=1).min())
    return bool(across[0] < -FACIAL_MM) and far > EDGE_MM


def body_points(placed: Placed) -> Floats:
    """Points over the whole surface of a placed body, in the joint frame."""
    return move(placed.T_joint_body, _points_of(placed.kind))


@cache
def _points_of(kind: str) -> Floats:
    return np.ascontiguousarray(reference_mesh(KINDS[kind]).vertices[::7])


def clearance_mm(one: Placed, other: Placed) -> float:
    """Least distance between the surfaces of two bodies."""
    distances, _ = cKDTree(body_points(one)).query(body_points(other))
    return float(distances.min())


def _tissue_near(placed: Placed, denture: DentureSolid) -> Floats:
    """Points of the tissue around a body, up to 3 mm from it."""
    reach = KINDS[placed.kind].seat_radius_mm + np.linspace(0.4, 2.8, 5)
    turns = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
    ring = np.stack([np.outer(reach, np.cos(turns)), np.outer(reach, np.sin(turns))], axis=-1).reshape(-1, 2)
    uv = placed.seat_mm[:2] + ring
    points = np.column_stack([uv, denture.jaw.surface.at(uv)])
    return np.asarray(points[np.linalg.norm(points - placed.seat_mm, axis=1) < reach[-1]], dtype=np.float64)


def channel_exit(placed: Placed, denture: DentureSolid) -> Floats | None:
    """Where the body's axis leaves the denture's outer surface; None where it does not within 40 mm."""
    start = placed.seat_mm + placed.axis * (KINDS[placed.kind].height_mm + 0.5)
    steps = start + placed.axis * np.arange(0.0, 40.0, 0.02)[:, None]
    f = denture.outer(steps)
    outside = np.flatnonzero(f > 0.0)
    return steps[outside[0]] if len(outside) and outside[0] > 0 else None

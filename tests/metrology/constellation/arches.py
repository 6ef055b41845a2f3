"""Sets of implant poses of many shapes, and what may be wrong with a copy of one: made for tests and the benchmark."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from seed_data.phantoms.layout import JawLayout, plan_layouts
from seed_data.phantoms.sites import PATTERNS
from server.metrology.constellation.path import path_through
from server.metrology.constellation.poses import BALL_95, CONE_95, Poses
from server.records.teeth import Arch

Floats = NDArray[np.float64]
Random = np.random.Generator

SHAPES = ("mouth", "straight", "v", "irregular")
LAYOUTS = 60
TRUE_U95_MM, TRUE_U95_DEG = 0.001, 0.01


def poses(
    positions: Floats, axes: Floats, u95_mm: float = TRUE_U95_MM, u95_deg: float = TRUE_U95_DEG
) -> Poses:
    n = len(positions)
    return Poses(positions, axes, np.full(n, u95_mm), np.full(n, u95_deg))


def arch(rng: Random, n: int, shape: str) -> Poses:
    """An exact set of n poses in one of SHAPES, axes leaning as implants do."""
    positions = {"mouth": _mouth, "straight": _straight, "v": _v, "irregular": _irregular}[shape](rng, n)
    return poses(positions, _axes(rng, positions))


def _mouth(rng: Random, n: int) -> Floats:
    """On the crest of an arch from the laws of anatomy, at usual teeth."""
    which = (Arch.UPPER, Arch.LOWER)[int(rng.integers(2))]
    layout = _layout(int(rng.integers(LAYOUTS)), which)
    pattern = PATTERNS[which][n][int(rng.integers(len(PATTERNS[which][n])))]
    s = [layout.crest_s_of(abs(p), int(np.sign(p))) + rng.uniform(-0.9, 0.9) for p in pattern]
    uv = np.array([layout.crest.at(x) + layout.crest.outward_at(x) * rng.uniform(-0.6, 0.2) for x in s])
    rise = layout.occlusal_mm(uv) + rng.uniform(-2.5, 2.5, n)
    return np.column_stack([uv, rise])


@cache
def _layout(number: int, which: Arch) -> JawLayout:
    return plan_layouts(number, which, teeth_a_side=7)[0]


def _straight(rng: Random, n: int) -> Floats:
    x = np.linspace(-24.0, 24.0, n) + rng.uniform(-1.5, 1.5, n)
    return np.column_stack([x, rng.uniform(-1.5, 1.5, n), rng.uniform(-1.5, 1.5, n)])


def _v(rng: Random, n: int) -> Floats:
    x = np.linspace(-20.0, 20.0, n) + rng.uniform(-1.0, 1.0, n)
    return np.column_stack([x, 40.0 - 1.8 * np.abs(x) + rng.uniform(-1, 1, n), rng.uniform(-2, 2, n)])


def _irregular(rng: Random, n: int) -> Floats:
    while True:
        points = rng.uniform((-26, -18, -4), (26, 18, 4), (n, 3))
        apart = np.linalg.norm(points[:, None] - points[None], axis=2) + 99.0 * np.eye(n)
        if apart.min() > 7.0:
            return points


def _axes(rng: Random, positions: Floats) -> Floats:
    """Spread by some degrees, and the ends often leaning by up to 38°."""
    n = len(positions)
    tilt = rng.normal(scale=np.radians(6.0), size=(n, 2))
    ends = path_through(positions).order[[0, -1]]
    if rng.random() < 0.6:
        tilt[ends] += np.radians(rng.uniform(15.0, 35.0)) * np.array([0.0, 1.0])
    axes = np.column_stack([tilt, np.ones(n)])
    return axes / np.linalg.norm(axes, axis=1, keepdims=True)


def direction(rng: Random) -> Floats:
    v = rng.normal(size=3)
    return v / np.linalg.norm(v)


def motion(rng: Random) -> Floats:
    """Any rigid motion."""
    T = np.eye(4)
    T[:3, :3] = Rotation.random(random_state=int(rng.integers(1 << 30))).as_matrix()
    T[:3, 3] = rng.normal(scale=40.0, size=3)
    return T


def seen(rng: Random, exact: Poses, noise_mm: float, noise_deg: float) -> Poses:
    """As an instrument of this noise (per direction) sees a set, its uncertainty stated rightly."""
    n = len(exact)
    axes = exact.axes + np.radians(noise_deg) * _across(rng, exact.axes)
    return poses(
        exact.positions_mm + noise_mm * rng.normal(size=(n, 3)),
        axes / np.linalg.norm(axes, axis=1, keepdims=True),
        noise_mm * BALL_95,
        noise_deg * CONE_95,
    )


def _across(rng: Random, axes: Floats) -> Floats:
    v = rng.normal(size=axes.shape)
    return v - np.sum(v * axes, axis=1, keepdims=True) * axes


def one_off(exact: Poses, site: int, shift: Floats, tilt_deg: float = 0.0) -> Poses:
    """One site shifted, and tilted about the x direction."""
    positions, axes = exact.positions_mm.copy(), exact.axes.copy()
    positions[site] += shift
    axes[site] = Rotation.from_rotvec([np.radians(tilt_deg), 0.0, 0.0]).apply(axes[site])
    return replace(exact, positions_mm=positions, axes=axes)


def drifted(rng: Random, exact: Poses, far_mm: float, power: float, *, turning: bool) -> Poses:
    """Shifts that grow as a power of the way along the arch, up to far_mm at one end; turning: each piece is carried on by
    a turn that grows along the arch, as stitching does, so that bodies turn too."""
    path = path_through(exact.positions_mm)
    s = path.share if rng.random() < 0.5 else 1.0 - path.share
    if not turning:
        grown = far_mm * s[:, None] ** power * direction(rng)
        return replace(exact, positions_mm=exact.positions_mm + grown)
    order = np.argsort(s)
    axis, points = direction(rng), exact.positions_mm[order]
    angles = s[order] ** power
    lever = [np.zeros(3)]
    for k in range(1, len(order)):
        half = 0.5 * (angles[k] + angles[k - 1])
        lever.append(lever[-1] + half * np.cross(axis, points[k] - points[k - 1]))
    unit = far_mm / max(np.linalg.norm(lever, axis=1).max(), 1e-9)
    positions, axes = exact.positions_mm.copy(), exact.axes.copy()
    positions[order] += unit * np.array(lever)
    axes[order] = Rotation.from_rotvec(np.outer(unit * angles, axis)).apply(axes[order])
    return replace(exact, positions_mm=positions, axes=axes)


def photogrammetry(rng: Random, exact: Poses) -> Poses:
    """As photogrammetry sees a set, in its own frame and order."""
    return seen(rng, exact, 0.019, 0.2).moved(motion(rng)).taken(rng.permutation(len(exact)))


def intraoral(rng: Random, exact: Poses) -> Poses:
    """As an intraoral scan sees it: more noise, and stitching that drifts towards its far end."""
    bent = drifted(rng, exact, rng.uniform(0.05, 0.15), rng.uniform(1.0, 1.5), turning=True)
    return seen(rng, bent, 0.03, 0.4)

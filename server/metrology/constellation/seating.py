"""The rigid motion that brings one paired set of poses onto another by positions and axes together, det +1.

Gauss-Newton from a closed-form start; each position and axis weighs by the uncertainty stated of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from server.metrology.constellation.poses import Floats, Paired, angles_rad, cross
from server.metrology.rigid import apply, fit_rigid, small_motion, turn

STEPS = 4
LEVER_MM = 10.0
"""For a start, each pose counts as two points: its seat, and a point this far along its axis."""


@dataclass(frozen=True, slots=True, eq=False)
class Misfit:
    """What a motion leaves between two paired sets, in A's frame.

    at_mm: (n, 3) B's positions as mapped. shift_mm: (n, 3) from there to A's. axes: (n, 3) B's as mapped; tilt_rad: (n, 3)
    the rotation vector that turns each onto A's; across: (n, 3, 2) two directions across each mapped axis.
    """

    at_mm: Floats
    shift_mm: Floats
    axes: Floats
    tilt_rad: Floats
    across: Floats

    @property
    def tilt_across_rad(self) -> Floats:
        """(n, 2) the tilt by the two directions."""
        return np.asarray(np.einsum("nij,ni->nj", self.across, self.tilt_rad))


def misfit_of(pairs: Paired, T_a_b: Floats, across: Floats | None = None) -> Misfit:
    """What is left between A and the mapped B. across: directions to keep, from a motion near this one."""
    at, v, u = apply(T_a_b, pairs.b.positions_mm), turn(T_a_b, pairs.b.axes), pairs.a.axes
    across = _across(v) if across is None else across
    angle, normal = angles_rad(v, u), cross(v, u)
    length = np.linalg.norm(normal, axis=1)
    is_plain = length > 1e-12
    direction = np.where(
        is_plain[:, None], normal / np.where(is_plain, length, 1.0)[:, None], across[:, :, 0]
    )
    return Misfit(at, pairs.a.positions_mm - at, v, direction * angle[:, None], across)


def _across(axes: Floats) -> Floats:
    helper = np.eye(3)[np.argmin(np.abs(axes), axis=1)]
    first = cross(axes, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return np.stack([first, cross(axes, first)], axis=2)


def motion_columns(misfit: Misfit) -> Floats:
    """(5 n, 6): what a small turn (rad, about the mean of the positions) and shift (mm) of B would take off the misfit.

    Rows: the shifts of all sites (3 each), then the tilts of all sites (2 each).
    """
    n = len(misfit.at_mm)
    r = misfit.at_mm - misfit.at_mm.mean(axis=0)
    rows = np.zeros((n, 3, 6))
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        rows[:, j, i], rows[:, k, i] = -r[:, k], r[:, j]
    rows[:, :, 3:] = np.eye(3)
    tilts = np.zeros((n, 2, 6))
    tilts[:, :, :3] = misfit.across.transpose(0, 2, 1)
    return np.concatenate([rows.reshape(3 * n, 6), tilts.reshape(2 * n, 6)])


def stacked(misfit: Misfit) -> Floats:
    """(5 n,) the misfit in the order of the rows of `motion_columns`: mm, then rad."""
    return np.concatenate([misfit.shift_mm.ravel(), misfit.tilt_across_rad.ravel()])


def sigmas(pairs: Paired) -> Floats:
    """(5 n,) the stated standard deviations in the same order."""
    return np.concatenate([np.repeat(pairs.sigma_position_mm, 3), np.repeat(pairs.sigma_axis_rad, 2)])


def seated(pairs: Paired, weights: Floats | None = None, T_a_b: Floats | None = None) -> Floats:
    """T_a_b (4, 4) by positions and axes. weights: (n,) on top of what the uncertainties say; T_a_b: a start near by.

    Two poses suffice, unless their axes run along the line between them; nothing is raised then, a turn is left as it was.
    """
    w = np.ones(len(pairs)) if weights is None else weights
    T = _start(pairs, w) if T_a_b is None else T_a_b
    root = np.sqrt(np.concatenate([np.repeat(w, 3), np.repeat(w, 2)])) / sigmas(pairs)
    for _ in range(STEPS):
        misfit = misfit_of(pairs, T)
        motion = np.linalg.lstsq(motion_columns(misfit) * root[:, None], stacked(misfit) * root, rcond=1e-12)[
            0
        ]
        T = _about(motion, misfit.at_mm.mean(axis=0)) @ T
        if np.abs(motion[:3]).max() < 1e-8 and np.abs(motion[3:]).max() < 1e-7:
            break
    return T


def _start(pairs: Paired, weights: Floats) -> Floats:
    a, b = (np.concatenate([p.positions_mm, p.positions_mm + LEVER_MM * p.axes]) for p in (pairs.a, pairs.b))
    return fit_rigid(b, a, np.tile(weights, 2)).T_target_source


def _about(motion: Floats, centre_mm: Floats) -> Floats:
    """A small motion whose turn is about a centre."""
    T = small_motion(motion)
    T[:3, 3] += centre_mm - T[:3, :3] @ centre_mm
    return T

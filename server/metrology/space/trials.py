"""How far a length along an implant's axis can be trusted: the axis is laid out again and again as it might as well be.

What is known of the implant's place and direction, and of how the other surface lies to it, is drawn at random; where an axis
comes near an edge and would meet another face, the lengths drawn show it. The draws are always the same.

Method: propagation of distributions, JCGM 101:2008 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.quantiles import student_quantile
from server.metrology.registration.certainty import Certainty
from server.metrology.rigid import small_motion

Floats = NDArray[np.float64]

TRIALS = 160
LEAST_COSINE = 0.2
LEAST_SHARE = 0.9
"""Where fewer of the axes drawn meet the surface, nothing is said."""


@dataclass(frozen=True, slots=True)
class Aim:
    """An implant's seat and axis (3,) in the joint frame, with one standard deviation in each direction."""

    seat: Floats
    axis: Floats
    seat_sigma_mm: float
    axis_sigma_rad: float


@dataclass(frozen=True, slots=True)
class Rays:
    """origins, directions: (n, 3); the first is the axis as measured."""

    origins: Floats
    directions: Floats


def drawn_rays(aim: Aim, other: Certainty) -> Rays | None:
    """The axis as it might as well lie to another surface, in the joint frame. other: how that surface's place is known.
    None where nothing holds it."""
    if len(other.loose):
        return None
    rng = np.random.default_rng(20)
    seats = aim.seat + rng.normal(scale=aim.seat_sigma_mm, size=(TRIALS, 3))
    tilts = rng.normal(scale=aim.axis_sigma_rad, size=(TRIALS, 3))
    axes = aim.axis + tilts - np.outer(tilts @ aim.axis, aim.axis)
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    few = student_quantile(0.975, max(other.freedom, 1)) / 1.96
    motions = rng.multivariate_normal(np.zeros(6), other.covariance * few**2, size=TRIALS, method="eigh")
    for k, motion in enumerate(motions):
        T = small_motion(motion)
        seats[k] = T[:3, :3] @ (seats[k] - other.centre) + other.centre + motion[3:]
        axes[k] = T[:3, :3] @ axes[k]
    return Rays(np.vstack([aim.seat, seats]), np.vstack([aim.axis, axes]))


def length_u95_mm(way_mm: Floats, cosine: Floats, scatter_mm: float) -> float | None:
    """Expanded uncertainty of the first of the ways (n,), nan where a ray met nothing, from the spread of the others.

    cosine: (n,) of the angle between ray and normal where it meets the surface, whose points scatter by scatter_mm. None
    where too few of the axes drawn meet it.
    """
    if not np.isfinite(way_mm[0]):
        return None
    there = np.isfinite(way_mm[1:])
    if there.mean() < LEAST_SHARE:
        return None
    rng = np.random.default_rng(21)
    steep = np.maximum(np.abs(cosine[1:][there]), LEAST_COSINE)
    drawn = way_mm[1:][there] + rng.normal(scale=scatter_mm, size=int(there.sum())) / steep
    return float(np.quantile(np.abs(drawn - way_mm[0]), 0.95))

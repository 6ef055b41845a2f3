"""Two surfaces of one thing brought together, in any frames, wholly or partly overlapping, without a start position."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from server.metrology.registration.agreement import patches_of
from server.metrology.registration.certainty import Certainty, certainty_of
from server.metrology.registration.fit import OVERLAP_MM, Fit, Meeting, fit_from, meeting_of
from server.metrology.registration.narrowing import FINE_STEPS, narrowed, unlike_mm
from server.metrology.registration.nearby import nearby_of
from server.metrology.registration.settling import DISTINCT_MM, distinct, settled
from server.metrology.registration.starts import starts_between
from server.metrology.registration.surface import Samples, Surface
from server.metrology.rigid import inverse

Floats = NDArray[np.float64]

ROUGH_POINTS = 5_000
MIDDLE_POINTS = 1_500
FINE_POINTS = 20_000
CARRIED = 28
"""Distinct poses carried to the exact surface."""
NEAR_STEPS = 14
COMPARED = 3
"""Of those, how many are fitted at full resolution and compared."""


class Sides(StrEnum):
    """Whether both surfaces show the same side of the thing, or one is the counterpart (impression) of the other."""

    SAME = "same"
    OPPOSITE = "opposite"


@dataclass(frozen=True, slots=True)
class Demand:
    """What a pose must show to be believed.

    agree_mm: surfaces closer than this agree; wider where what was scanned is soft. least_area_mm2: of agreement.
    least_agreement: share of the overlap that agrees; teeth of two people, or two dentures
    of one mould, can agree over 0.6 of it. least_lead: how much more of the surface the best pose must bring
    to agreement than the next, as a share of its own.
    """

    agree_mm: float = 0.10
    least_area_mm2: float = 60.0
    least_agreement: float = 0.75
    least_lead: float = 0.25


@dataclass(frozen=True, slots=True)
class Pose:
    """One way to lay the moving surface on the fixed one, and what speaks for it.

    overlap_area_mm2: of the smaller surface, where the other lies within OVERLAP_MM and faces the same way;
    agreed_area_mm2: of that, within the demand's agree_mm. rms_mm: of the offsets of what agrees.
    """

    T_fixed_moving: Floats
    overlap_area_mm2: float
    agreed_area_mm2: float
    rms_mm: float

    @property
    def agreement_ratio(self) -> float:
        return self.agreed_area_mm2 / self.overlap_area_mm2 if self.overlap_area_mm2 > 0.0 else 0.0


class Standing(StrEnum):
    FITS = "fits"
    AMBIGUOUS = "ambiguous"
    NOTHING_FITS = "nothing fits"


@dataclass(frozen=True, slots=True)
class Registration:
    """How the moving surface lies on the fixed one.

    standing: only under FITS is `best` to be used. overlap_ratio: share of the moving surface in the overlap;
    fixed_overlap_ratio: of the fixed one. certainty: in the fixed surface's frame; sigma_mm: robust scatter.
    runner_up: the next-best distinct pose, None where there is no other.
    """

    standing: Standing
    best: Pose | None
    runner_up: Pose | None
    certainty: Certainty | None
    sigma_mm: float
    overlap_ratio: float
    fixed_overlap_ratio: float
    converged: bool
    n_used: int

    @property
    def lead_ratio(self) -> float:
        """How much more surface the best pose brings to agreement than the next, as a share of its own; 1 without one."""
        if self.best is None or self.best.agreed_area_mm2 <= 0.0:
            return 0.0
        other = self.runner_up.agreed_area_mm2 if self.runner_up else 0.0
        return 1.0 - other / self.best.agreed_area_mm2


NOTHING = Registration(Standing.NOTHING_FITS, None, None, None, float("nan"), 0.0, 0.0, False, 0)


def register(
    moving: Surface, fixed: Surface, *, sides: Sides = Sides.SAME, demand: Demand = Demand()
) -> Registration:
    """The rigid motion that lays `moving` on `fixed`; the same answer for the same surfaces, always.

    The smaller surface is laid on the larger, whichever of the two moves. Raises nothing: surfaces that do not belong
    together, or fit in several ways, are said so in `standing`.
    """
    is_turned = moving.topology.area_mm2 > fixed.topology.area_mm2
    probe, target = (fixed, moving) if is_turned else (moving, fixed)
    starts = _rough(probe, target, sides)
    if not len(starts):
        return NOTHING
    few = _sided(probe.samples(MIDDLE_POINTS), sides)
    fits = _compared(few, target, starts, demand)
    fine = _sided(probe.samples(FINE_POINTS), sides)
    best = _finest(few, fine, target, fits[0])
    poses = [_pose(best.T, best.meeting, fine, demand)]
    poses += [_pose(f.T, meeting_of(fine, target, f.T, OVERLAP_MM), fine, demand) for f in fits[1:]]
    return _weighed(best, poses, probe, target, demand, is_turned=is_turned, sides=sides)


def register_near(
    moving: Surface,
    fixed: Surface,
    start: Floats,
    *,
    sides: Sides = Sides.SAME,
    demand: Demand = Demand(),
    off_mm: float = 0.5,
) -> Registration:
    """The same from a pose that is believed, such as that of a common export frame: whether it holds, and by how much it
    is off. start: T_fixed_moving (4, 4), within about `off_mm` of the truth; no other pose is looked for, so nothing is
    found ambiguous but for motions that nothing holds."""
    is_turned = moving.topology.area_mm2 > fixed.topology.area_mm2
    probe, target = (fixed, moving) if is_turned else (moving, fixed)
    T = inverse(start) if is_turned else start
    few = _sided(probe.samples(MIDDLE_POINTS), sides)
    middle = fit_from(few, target, T, scale_mm=off_mm, steps=NEAR_STEPS)
    fine = _sided(probe.samples(FINE_POINTS), sides)
    best = _finest(few, fine, target, middle)
    poses = [_pose(best.T, best.meeting, fine, demand)]
    return _weighed(best, poses, probe, target, demand, is_turned=is_turned, sides=sides)


def _finest(few: Samples, fine: Samples, target: Surface, middle: Fit) -> Fit:
    """The fit of all points that one of a few leads to."""
    patches = patches_of(fine.points)
    best = fit_from(fine, target, middle.T, scale_mm=middle.scale_mm, steps=FINE_STEPS, patches=patches)
    return narrowed(best, few, fine, patches, target)


def _compared(middle: Samples, target: Surface, starts: Floats, demand: Demand) -> list[Fit]:
    """The distinct fits to be compared, the one that brings most surface to agreement first."""
    few = Samples(middle.points[::3], middle.normals[::3], 3.0 * middle.area_mm2)
    fits = [fit_from(few, target, T, scale_mm=0.5, steps=6) for T in starts[:CARRIED]]
    for points, steps in ((few, 0), (middle, 8)):
        if steps:
            fits = [fit_from(points, target, f.T, scale_mm=f.scale_mm, steps=steps) for f in fits]
        agreed = np.array([_pose(f.T, f.meeting, points, demand).agreed_area_mm2 for f in fits])
        kept = distinct(np.array([f.T for f in fits]), agreed, points.points, DISTINCT_MM)[:COMPARED]
        fits = [fits[k] for k in kept]
    return fits


def _rough(probe: Surface, target: Surface, sides: Sides) -> Floats:
    own, theirs = _sided(probe.samples(ROUGH_POINTS), sides), target.samples(ROUGH_POINTS)
    if min(len(own.points), len(theirs.points)) < 100:
        return np.zeros((0, 4, 4))
    nearby = nearby_of(theirs.points)
    return settled(starts_between(own, theirs, nearby), own, theirs, nearby).T


def _sided(samples: Samples, sides: Sides) -> Samples:
    return samples.turned_over() if sides is Sides.OPPOSITE else samples


def _pose(T: Floats, meeting: Meeting, probe: Samples, demand: Demand) -> Pose:
    agrees = meeting.is_met & (np.abs(meeting.offset_mm) <= demand.agree_mm)
    n = int(agrees.sum())
    rms = float(np.sqrt(np.mean(meeting.offset_mm[agrees] ** 2))) if n else float("nan")
    return Pose(T, int(meeting.is_met.sum()) * probe.area_mm2, n * probe.area_mm2, rms)


def _weighed(
    fit: Fit,
    poses: list[Pose],
    probe: Surface,
    target: Surface,
    demand: Demand,
    *,
    is_turned: bool,
    sides: Sides,
) -> Registration:
    """The best of the poses compared, in terms of the fixed surface, and whether it is to be believed."""
    best, other = poses[0], max(poses[1:], key=lambda p: p.agreed_area_mm2, default=None)
    back = meeting_of(_sided(target.samples(ROUGH_POINTS), sides), probe, inverse(fit.T), OVERLAP_MM)
    shares = (float(fit.meeting.is_met.mean()), float(back.is_met.mean()))
    certainty = certainty_of(fit).widened(unlike_mm(fit))
    found = Registration(
        standing=Standing.FITS,
        best=_turned(best) if is_turned else best,
        runner_up=(_turned(other) if is_turned else other) if other else None,
        certainty=certainty.carried(inverse(fit.T)) if is_turned else certainty,
        sigma_mm=fit.sigma_mm,
        overlap_ratio=shares[1] if is_turned else shares[0],
        fixed_overlap_ratio=shares[0] if is_turned else shares[1],
        converged=fit.converged,
        n_used=int(np.count_nonzero(fit.weights > 0.0)),
    )
    return replace(found, standing=_standing(found, demand))


def _standing(found: Registration, demand: Demand) -> Standing:
    best = found.best
    if (
        best is None
        or best.agreed_area_mm2 < demand.least_area_mm2
        or best.agreement_ratio < demand.least_agreement
    ):
        return Standing.NOTHING_FITS
    is_loose = found.certainty is None or len(found.certainty.loose) > 0
    return Standing.AMBIGUOUS if is_loose or found.lead_ratio < demand.least_lead else Standing.FITS


def _turned(pose: Pose) -> Pose:
    return replace(pose, T_fixed_moving=inverse(pose.T_fixed_moving))

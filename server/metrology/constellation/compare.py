"""Compares two unlabelled sets of implant poses: which is which, how they differ, and which single site is wrong."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from server.metrology.constellation.pairing import Assignment, assignments
from server.metrology.constellation.poses import MOST_POSES, Floats, Paired, Poses, angles_rad
from server.metrology.constellation.seating import misfit_of, seated
from server.metrology.constellation.shape_change import Scale, ShapeChange, scale_of, shape_change_of
from server.metrology.constellation.suspects import LEAST_PAIRS, Suspects, log_evidence_of, suspects_of
from server.metrology.quantiles import normal_density
from server.metrology.rigid import fit_rigid, leave_one_out_mm, pair_differences_mm

LEAST_MATCHED = 3
CLEAR_LOG_ODDS = float(np.log(100.0))
"""An assignment, or a hand, is told from its rival at odds of a hundred to one."""
MOST_WEIGHED = 3
LEFT_OVER_LOG = -float(np.log(60.0 * 50.0 * 20.0 * 2.0 * np.pi))
"""Density of a pose that has no partner: anywhere in a jaw, pointing anywhere on the open side; per mm³ and rad²."""
LEAST_BREADTH_MM = 3.0
"""Sites within this of one line (root mean square) do not hold the turn about it; the axes then have to."""
CLOCK_TRUST, LEAST_CLOCK_SIGMA_DEG = 0.5, 1.0
"""On abutments without an index a body screwed in twice points anywhere: clocking speaks for a pairing where it agrees,
and hardly against one."""


class Hand(StrEnum):
    """Whether a mirror image of B fits A better than B itself."""

    SAME = "same"
    MIRRORED = "mirrored"
    UNTOLD = "cannot tell"


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """A against B; signs are A less B; k pairs, by rising index in A. mm and degrees, A's frame.

    pairs: (k, 2) indices in A and B. only_in_a, only_in_b: indices without a partner. T_a_b: (4, 4) maps B to A, rigid,
    det +1, by positions weighted as their uncertainties say; by positions and axes where the sites stand on one line
    (is_by_axes). shift_mm: (k, 3) what it leaves, A less mapped B; residual_mm: (k,) its length; axis_deg: (k,).
    pair_mm: (k, k) distance between two sites in A less that in B; pair_axis_deg: (k, k) likewise of the angle between two
    axes. leave_one_out_mm: (k,) how far off each is after a fit of all others; None for fewer than four.
    rival: the next-best pairing where it explains as much (is_ambiguous). hand_log_odds: natural logarithm of the odds of
    the mirror image over the set itself. suspects: None for fewer than four pairs and where B is a mirror image.
    """

    pairs: NDArray[np.int64]
    only_in_a: tuple[int, ...]
    only_in_b: tuple[int, ...]
    T_a_b: Floats
    is_by_axes: bool
    shift_mm: Floats
    residual_mm: Floats
    rms_mm: float
    axis_deg: Floats
    pair_mm: Floats
    pair_axis_deg: Floats
    leave_one_out_mm: Floats | None
    scale: Scale
    shape: ShapeChange
    suspects: Suspects | None
    hand: Hand
    hand_log_odds: float
    rival: NDArray[np.int64] | None

    @property
    def is_ambiguous(self) -> bool:
        return self.rival is not None

    @property
    def is_mirrored(self) -> bool:
        return self.hand is Hand.MIRRORED

    @property
    def worst_pair(self) -> tuple[int, int]:
        """The two rows of `pairs` whose distance differs most."""
        i, j = np.unravel_index(int(np.argmax(np.abs(self.pair_mm))), self.pair_mm.shape)
        return int(i), int(j)


@dataclass(frozen=True, slots=True, eq=False)
class _Weighed:
    assignment: Assignment
    pairs: Paired
    log: float


def compare(a: Poses, b: Poses) -> Comparison | None:
    """A against B. None where fewer than three poses of one are found in the other, by B itself or by its mirror image.

    Where the mirror image fits and B does not, pairs are those of the mirror image, and the fit of B to them is what can
    be said of B. *Source*: fit Kabsch 1976, scale Umeyama 1991; the rest in the modules used.
    """
    plain, turned = _weighed(a, b, b), _weighed(a, b.mirrored(), b)
    if not plain and not turned:
        return None
    odds = (turned[0].log if turned else -np.inf) - (plain[0].log if plain else -np.inf)
    hand = Hand.MIRRORED if odds > CLEAR_LOG_ODDS else Hand.SAME if odds < -CLEAR_LOG_ODDS else Hand.UNTOLD
    ways = turned if hand is Hand.MIRRORED or not plain else plain
    is_rivalled = len(ways) > 1 and ways[0].log - ways[1].log < CLEAR_LOG_ODDS
    return _compared(a, b, ways[0], ways[1] if is_rivalled else None, hand, float(odds))


def compared(a: Poses, b: Poses) -> Comparison | None:
    """The same; None too where one is empty, or has more poses than can be compared."""
    n = (len(a.positions_mm), len(b.positions_mm))
    return compare(a, b) if min(n) > 0 and max(n) <= MOST_POSES else None


def _weighed(a: Poses, image: Poses, b: Poses) -> list[_Weighed]:
    """Pairings of A with an image of B, the likeliest first; pairs hold B itself."""
    ways = [one for one in assignments(a, image) if len(one.in_a) >= LEAST_MATCHED]
    most = max((len(one.in_a) for one in ways), default=0)
    near = [one for one in ways if len(one.in_a) >= most - 1][:MOST_WEIGHED]
    weighed = []
    for one in near:
        left = len(a) + len(b) - 2 * len(one.in_a)
        log = log_evidence_of(one.of(a, image)) + left * LEFT_OVER_LOG + _clock_log(one.of(a, image))
        weighed.append(_Weighed(one, one.of(a, b), log))
    return sorted(weighed, key=lambda w: -w.log)


def _clock_log(pairs: Paired) -> float:
    """What the clocking adds to the logarithm of a pairing's likelihood; 0 where it is not known of both sets."""
    if pairs.a.clocks is None or pairs.b.clocks is None:
        return 0.0
    T = seated(pairs)
    off = np.degrees(angles_rad(pairs.a.clocks, pairs.b.clocks @ T[:3, :3].T))
    said = [1.0 if u is None else u for u in (pairs.a.u95_clock_deg, pairs.b.u95_clock_deg)]
    sigma = np.maximum(np.hypot(said[0], said[1]) / 1.96, LEAST_CLOCK_SIGMA_DEG)
    agree = CLOCK_TRUST * 2.0 * normal_density(off / sigma) / sigma * 180.0 + (1.0 - CLOCK_TRUST)
    return float(np.log(agree[np.isfinite(agree)]).sum())


def _compared(
    a: Poses, b: Poses, best: _Weighed, rival: _Weighed | None, hand: Hand, odds: float
) -> Comparison:
    pairs, n = best.pairs, len(best.pairs)
    suspects = suspects_of(pairs) if n >= LEAST_PAIRS and hand is not Hand.MIRRORED else None
    by_axes = _breadth_mm(pairs.b.positions_mm) < LEAST_BREADTH_MM
    at = (pairs.b.positions_mm, pairs.a.positions_mm)
    T = seated(pairs) if by_axes else fit_rigid(*at, pairs.sigma_position_mm**-2).T_target_source
    misfit = misfit_of(pairs, T)
    residual = np.linalg.norm(misfit.shift_mm, axis=1)
    return Comparison(
        pairs=_rows(best.assignment),
        only_in_a=tuple(k for k in range(len(a)) if k not in best.assignment.in_a),
        only_in_b=tuple(k for k in range(len(b)) if k not in best.assignment.in_b),
        T_a_b=T,
        is_by_axes=by_axes,
        shift_mm=misfit.shift_mm,
        residual_mm=residual,
        rms_mm=float(np.sqrt(np.mean(residual**2))),
        axis_deg=np.degrees(np.linalg.norm(misfit.tilt_rad, axis=1)),
        pair_mm=pair_differences_mm(*at),
        pair_axis_deg=_angles_between_deg(pairs.a) - _angles_between_deg(pairs.b),
        leave_one_out_mm=_left_out_mm(pairs, by_axes=by_axes),
        scale=scale_of(pairs),
        shape=shape_change_of(pairs),
        suspects=suspects,
        hand=hand,
        hand_log_odds=odds,
        rival=None if rival is None else _rows(rival.assignment),
    )


def _rows(assignment: Assignment) -> NDArray[np.int64]:
    return np.column_stack([assignment.in_a, assignment.in_b])


def _breadth_mm(at_mm: Floats) -> float:
    """How far places stand off the straight line that fits them best, root mean square."""
    centred = at_mm - at_mm.mean(axis=0)
    stretch = np.linalg.svd(centred, compute_uv=False)
    return float(np.sqrt((stretch[1:] ** 2).sum() / len(at_mm)))


def _angles_between_deg(poses: Poses) -> Floats:
    return np.degrees(angles_rad(poses.axes[:, None], poses.axes[None]))


def _left_out_mm(pairs: Paired, *, by_axes: bool) -> Floats | None:
    n = len(pairs)
    if n < LEAST_PAIRS:
        return None
    if not by_axes:
        return leave_one_out_mm(pairs.b.positions_mm, pairs.a.positions_mm)
    out = np.empty(n)
    for k in range(n):
        T = seated(pairs, (np.arange(n) != k).astype(np.float64))
        out[k] = np.linalg.norm(misfit_of(pairs, T).shift_mm[k])
    return out

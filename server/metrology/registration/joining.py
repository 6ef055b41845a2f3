"""Relations put together: one after the other along a chain, and several of the same two surfaces into one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from server.metrology.registration.certainty import Certainty
from server.metrology.rigid import apply, inverse, small_motion

Floats = NDArray[np.float64]

LEAST_MM = 1e-4
"""No relation is known better than this."""


@dataclass(frozen=True, slots=True)
class Relation:
    """How one frame lies in another. T: (4, 4) fixed from moving; certainty: in the fixed frame."""

    T: Floats
    certainty: Certainty

    def reversed(self) -> Relation:
        """How the fixed frame lies in the moving one."""
        back = inverse(self.T)
        return Relation(back, self.certainty.carried(back))

    def then(self, onward: Relation) -> Relation:
        """The moving frame in the frame that `onward` leads to."""
        carried = self.certainty.carried(onward.T)
        return Relation(onward.T @ self.T, onward.certainty.plus(carried))


def combined(relations: Sequence[Relation]) -> Relation:
    """One relation from several of the same two frames, each weighed by its own certainty in every direction (the best
    linear estimate, Aitken 1935); where they disagree by more than they allow, less certain by as much (Birge 1932).

    Raises ValueError for none.
    """
    if not relations:
        raise ValueError("nothing to combine")
    first = relations[0]
    if len(relations) == 1:
        return first
    centre = np.mean([r.certainty.centre for r in relations], axis=0)
    offs = np.array([motion_about(centre, r.T @ inverse(first.T)) for r in relations])
    weights = [_weight(r.certainty.about(centre)) for r in relations]
    covariance = np.linalg.inv(np.sum(weights, axis=0))
    motion = covariance @ np.sum([W @ off for W, off in zip(weights, offs, strict=True)], axis=0)
    left = [float((off - motion) @ W @ (off - motion)) for W, off in zip(weights, offs, strict=True)]
    birge = max(1.0, sum(left) / (6.0 * (len(relations) - 1)))
    certainty = replace(
        first.certainty.about(centre),
        covariance=covariance * birge,
        freedom=sum(r.certainty.freedom for r in relations),
        arm_mm=max(r.certainty.arm_mm for r in relations),
    )
    return Relation(moved(centre, motion) @ first.T, certainty)


def motion_about(centre: Floats, M: Floats) -> Floats:
    """(6,) rotation vector (rad) about `centre` and shift (mm) of a rigid motion M (4, 4)."""
    turn = Rotation.from_matrix(M[:3, :3]).as_rotvec()
    return np.concatenate([turn, apply(M, centre[None])[0] - centre])


def moved(centre: Floats, motion: Floats) -> Floats:
    """The motion (4, 4) of a rotation vector about `centre` and a shift."""
    T = small_motion(np.concatenate([motion[:3], np.zeros(3)]))
    T[:3, 3] = centre - T[:3, :3] @ centre + motion[3:]
    return T


def _weight(certainty: Certainty) -> Floats:
    """The inverse of the covariance, with LEAST_MM added so that there is one."""
    floor = np.diag([(LEAST_MM / certainty.arm_mm) ** 2] * 3 + [LEAST_MM**2] * 3)
    return np.asarray(np.linalg.inv(certainty.covariance + floor))

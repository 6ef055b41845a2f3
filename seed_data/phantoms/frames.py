"""In which frame a record is exported: one shared by all, plausible in direction, or a random one for each."""

from __future__ import annotations

import numpy as np

from seed_data.phantoms.dice import Dice, dice, pick
from seed_data.phantoms.rigid import Matrix, about, any_direction, any_rotation, rigid

X, Y, Z = np.eye(3)


def shared_frame(seed: int) -> Matrix:
    """T_file_joint of an export in which all surfaces share one frame: the chewing side up, down, or to a side; a
    little askew; tens of millimetres from the origin."""
    rng = dice(seed, "frame", "shared")
    upright = [(X, 0.0), (X, np.pi), (X, np.pi / 2), (X, -np.pi / 2), (Y, np.pi), (Y, np.pi / 2)]
    axis, angle = upright[int(rng.choice(6, p=[0.3, 0.25, 0.15, 0.1, 0.15, 0.05]))]
    yaw = float(rng.choice([0.0, 0.0, np.pi, np.pi / 2])) + pick(rng, -0.1, 0.1)
    R = about(axis, angle) @ about(Z, yaw)
    R = about(any_direction(rng), np.radians(pick(rng, 0.0, 7.0))) @ R
    return rigid(R, rng.uniform(-35.0, 35.0, 3))


def own_frame(rng: Dice, *, reach_mm: float = 60.0) -> Matrix:
    """T_file_joint drawn evenly from all directions."""
    return rigid(any_rotation(rng), rng.uniform(-reach_mm, reach_mm, 3))

"""Frames in which records are exported."""

from __future__ import annotations

import numpy as np
import pytest

from seed_data.phantoms.dice import dice
from seed_data.phantoms.frames import own_frame, shared_frame
from seed_data.phantoms.rigid import inverse


@pytest.mark.parametrize("seed", range(20))
def test_frames_are_rigid_and_not_mirrored(seed: int) -> None:
    for T in (own_frame(dice(seed, "a frame")), shared_frame(seed)):
        R = T[:3, :3]
        assert pytest.approx(np.eye(3), abs=1e-12) == R @ R.T
        assert np.linalg.det(R) == pytest.approx(1.0, abs=1e-12)
        assert T[3].tolist() == [0.0, 0.0, 0.0, 1.0]
        assert inverse(T) @ T == pytest.approx(np.eye(4), abs=1e-12)


def test_frames_of_their_own_point_everywhere_evenly() -> None:
    """The mean of n evenly drawn unit vectors has length about 1/sqrt(n), and each coordinate variance 1/3."""
    ups = np.array([own_frame(dice(seed, "evenly"))[:3, 2] for seed in range(400)])
    assert np.linalg.norm(ups.mean(axis=0)) < 4 / np.sqrt(400)
    assert ups.var(axis=0) == pytest.approx([1 / 3] * 3, abs=0.07)


def test_the_same_seed_and_name_give_the_same_frame_and_no_other() -> None:
    assert np.array_equal(own_frame(dice(7, "jaw")), own_frame(dice(7, "jaw")))
    assert not np.allclose(own_frame(dice(7, "jaw")), own_frame(dice(7, "tissue")))
    assert not np.allclose(own_frame(dice(7, "jaw")), own_frame(dice(8, "jaw")))

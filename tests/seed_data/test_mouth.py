"""Where implants stand in a planned mouth, before anything is scanned."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from seed_data.phantoms.mouth import Mouth, plan_mouth
from seed_data.phantoms.rigid import angle_between_deg
from seed_data.phantoms.sites import CLEARANCE_MM, DIVERGENCE_DEG, clearance_mm
from server.records.teeth import Arch

SEEDS = range(100, 108)


@cache
def _mouth(seed: int) -> Mouth:
    return plan_mouth(seed)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_drawn_mouth_keeps_the_default_limits(seed: int) -> None:
    mouth = _mouth(seed)
    placed = mouth.placed
    assert 4 <= len(placed) <= 8
    assert all(angle_between_deg(p.axis, np.array([0.0, 0.0, 1.0])) <= 40.0 for p in placed)
    pairs = [(a, b) for i, a in enumerate(placed) for b in placed[i + 1 :]]
    assert max(angle_between_deg(a.axis, b.axis) for a, b in pairs) <= DIVERGENCE_DEG
    assert min(clearance_mm(a, b) for a, b in pairs) >= CLEARANCE_MM
    teeth = [mouth.tooth(k) for k in range(len(placed))]
    assert {tooth.arch for tooth in teeth} == {mouth.arch}
    assert len({tooth.fdi for tooth in teeth}) == len(teeth)


def test_seeds_give_both_arches_and_several_counts() -> None:
    assert {_mouth(seed).arch for seed in SEEDS} == set(Arch)
    assert len({len(_mouth(seed).placed) for seed in SEEDS}) >= 3


@pytest.mark.parametrize("count", [4, 8])
@pytest.mark.parametrize("arch", list(Arch))
def test_arch_and_count_are_as_asked(arch: Arch, count: int) -> None:
    mouth = plan_mouth(11, arch=arch, sites=count)
    assert (mouth.arch, len(mouth.placed)) == (arch, count)


def test_teeth_lie_on_the_patients_sides() -> None:
    """Seen from the front with the chewing side up, a lower jaw's right is at +x in the joint frame, whose z looks to
    the other jaw and y to the front; an upper jaw's right is at -x."""
    for seed in SEEDS:
        mouth = _mouth(seed)
        sign = 1.0 if mouth.arch is Arch.LOWER else -1.0
        for k, placed in enumerate(mouth.placed):
            assert mouth.tooth(k).is_right == (sign * placed.seat_mm[0] > 0.0)

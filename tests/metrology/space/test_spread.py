"""The spread of implants and what hangs behind them."""

from __future__ import annotations

import numpy as np
import pytest

from server.metrology.space.spread import overhang_mm, spread_of

P = np.array([(-22.0, 0.0, 0.0), (-8.0, 18.0, 0.0), (8.0, 18.0, 0.0), (22.0, 0.0, 0.0)])
"""The set P of the check values: two ends 44 mm apart, two 18 mm before them."""
ORDER = np.array([-30.0, -9.0, 9.0, 30.0])
UP = np.array([0.0, 0.0, 1.0])


def test_centre_to_centre_and_to_the_distal_aspects() -> None:
    """Check value: 18.0 mm centre to centre, 27.0 mm is one and a half times that (computed from P). To the line of the distal
    aspects of platforms of 2.25 mm radius it is 2.25 mm more."""
    found = spread_of(P, np.full(4, 2.25), ORDER, UP)
    assert found is not None
    assert found.centres_mm == pytest.approx(18.0, abs=1e-12)
    assert 1.5 * found.centres_mm == pytest.approx(27.0, abs=1e-12)
    assert found.distal_mm == pytest.approx(20.25, abs=1e-12)
    assert found.ends == (0, 3)
    assert found.foremost in (1, 2)


def test_height_does_not_count_and_neither_does_the_frame() -> None:
    lifted = P + np.outer([0.0, 3.0, -2.0, 1.0], UP)
    turn, _ = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))
    found = spread_of(lifted @ turn.T + 40.0, np.full(4, 2.0), ORDER, turn @ UP)
    assert found is not None
    assert (found.centres_mm, found.distal_mm) == (pytest.approx(18.0), pytest.approx(20.0))


def test_platforms_of_two_sizes_tilt_the_line_behind() -> None:
    """Distal aspects at (-22, -3) and (22, -1): the line is at y = -2 in the middle, slope 1/22; from (-8, 18)."""
    found = spread_of(P[[0, 1, 3]], np.array([3.0, 2.0, 1.0]), ORDER[[0, 1, 3]], UP)
    assert found is not None
    y = -2.0 - 8.0 / 22.0
    assert found.distal_mm == pytest.approx((18.0 - y) / np.hypot(1.0, 1.0 / 22.0), abs=1e-9)


@pytest.mark.parametrize("seats", [P[:2], P[[0, 0, 0]]])
def test_too_few_or_all_in_one_place_have_none(seats: np.ndarray) -> None:
    assert spread_of(seats, np.full(len(seats), 2.0), np.arange(len(seats), dtype=float), UP) is None


def test_what_hangs_free_is_counted_from_the_distal_aspect() -> None:
    """A first molar of 11 mm with its implant in the middle, platform 2 mm: 3.5 mm; with a second molar of 10.5 mm: 14."""
    assert overhang_mm(np.zeros(0), 11.0, 2.0) == pytest.approx(3.5)
    assert overhang_mm(np.array([10.5]), 11.0, 2.0) == pytest.approx(14.0)
    assert overhang_mm(np.array([10.5]), 11.0, 2.5) == pytest.approx(13.5)
    assert overhang_mm(np.zeros(0), 7.0, 4.0) == 0.0

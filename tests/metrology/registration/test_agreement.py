"""Scatter of what agrees, and the weights that come of it, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from server.metrology.registration.agreement import core_sigma, patches_of, weights_by

RNG = np.random.default_rng(6)
PILE = RNG.normal(scale=0.015, size=4000)


def test_a_pile_is_read_though_more_lies_beside_it() -> None:
    beside = RNG.uniform(-1.0, 1.0, 6000)
    assert core_sigma(PILE) == pytest.approx(0.015, rel=0.04)
    assert core_sigma(np.concatenate([PILE, beside])) == pytest.approx(0.015, rel=0.25)
    assert (
        np.median(np.abs(np.concatenate([PILE, beside]))) > 0.1
    )  # what a median of all would take for the scatter


def test_a_scatter_without_a_pile_stays_what_it_is() -> None:
    """Evenly spread over ± a, as about a bent arch: 1.4826 a / 2."""
    assert core_sigma(np.linspace(-0.1, 0.1, 5001)) == pytest.approx(1.4826 * 0.05, rel=0.01)


def test_of_nothing_it_is_one() -> None:
    assert core_sigma(np.zeros(0)) == 1.0


def test_slopes_are_those_of_the_pull() -> None:
    r, step = np.linspace(-0.2, 0.2, 41), 1e-6
    met = np.ones(len(r), dtype=bool)
    pull = [weights_by(x, met, 0.05).values * x for x in (r - step, r + step)]
    np.testing.assert_allclose(weights_by(r, met, 0.05).slopes, (pull[1] - pull[0]) / (2.0 * step), atol=1e-6)


def test_a_patch_that_stands_out_by_its_points_scatter_weighs_next_to_nothing() -> None:
    """A sheet of points 0.3 mm apart that scatter by 0.02 mm, one corner of it 0.03 mm higher."""
    axis = np.arange(0.0, 40.0, 0.3)
    x, y = (a.ravel() for a in np.meshgrid(axis, axis))
    is_high = (x < 14.0) & (y < 14.0)
    offset = np.random.default_rng(7).normal(scale=0.02, size=len(x)) + 0.03 * is_high
    met = np.ones(len(x), dtype=bool)
    own = weights_by(offset, met, 0.06)
    both = patches_of(np.column_stack([x, y, np.zeros_like(x)])).weigh(offset, own, met)
    inner = (x < 12.0) & (y < 12.0)
    assert own.values[inner].mean() > 0.5 * own.values[~is_high].mean()
    assert both.values[inner].mean() < 0.1 * both.values[~is_high].mean()

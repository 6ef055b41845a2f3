"""Landscapes whose true relation is known exactly, scanned twice on grids and with noise of their own."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from server.metrology.registration.register import (
    Demand,
    Registration,
    Sides,
    Standing,
    register,
    register_near,
)
from server.metrology.registration.surface import Surface
from server.metrology.rigid import angle_deg, apply, inverse, small_motion
from tests.metrology.registration.landscapes import (
    Height,
    egg_box,
    flat,
    frame,
    gutter,
    hills,
    meshed,
    surface,
)

Floats = NDArray[np.float64]
CORNERS = np.array([(x, y, 0.0) for x in (-10.0, 10.0) for y in (-10.0, 10.0)])
FITTED_MM = 0.008
"""10 µm of noise over a thousand points leave about 1 µm; chords of 0.5 mm cut up to 14 µm off the sharpest hills
(bend 0.45 per mm: 0.5² · 0.45 / 8), on each grid elsewhere, of which a part stays."""


def _two(height: Height, seed: int, **second: object) -> tuple[Surface, Surface, Floats]:
    """Two scans of a landscape in frames of their own, and T_fixed_moving as it truly is."""
    T_moving, T_fixed = frame(seed + 10), frame(seed + 20)
    fixed = surface(meshed(height, seed + 1), T_fixed)
    moving = surface(meshed(height, seed + 2, **second), T_moving)  # type: ignore[arg-type]
    return moving, fixed, T_fixed @ inverse(T_moving)


def _error_mm(found: Registration, true: Floats, moving: Surface) -> float:
    assert found.best is not None
    points = moving.topology.scan.vertices
    return float(
        np.linalg.norm(apply(found.best.T_fixed_moving, points) - apply(true, points), axis=1).mean()
    )


@pytest.mark.parametrize("seed", range(3))
def test_two_scans_of_one_thing_in_any_frames(seed: int) -> None:
    moving, fixed, true = _two(hills(seed), seed)
    found = register(moving, fixed)
    assert found.standing is Standing.FITS
    assert _error_mm(found, true, moving) < FITTED_MM
    assert found.overlap_ratio > 0.9
    assert found.fixed_overlap_ratio > 0.9
    assert found.best is not None
    assert np.linalg.det(found.best.T_fixed_moving[:3, :3]) == pytest.approx(1.0, abs=1e-12)
    assert found.sigma_mm == pytest.approx(
        0.012, abs=0.006
    )  # two scatters of 10 µm, theirs averaged in facets


@pytest.mark.parametrize("seed", range(2))
def test_a_part_finds_its_place_whichever_of_the_two_moves(seed: int) -> None:
    part, whole, true = _two(hills(seed), seed, half_mm=(13.0, 11.0), centre_mm=(9.0, -6.0))
    onto, back = register(part, whole), register(whole, part)
    assert onto.standing is back.standing is Standing.FITS
    assert _error_mm(onto, true, part) < FITTED_MM
    assert back.best is not None
    assert onto.best is not None
    np.testing.assert_allclose(back.best.T_fixed_moving, inverse(onto.best.T_fixed_moving), atol=1e-9)
    assert onto.overlap_ratio > 0.85
    assert back.fixed_overlap_ratio == pytest.approx(onto.overlap_ratio, abs=0.02)
    assert onto.fixed_overlap_ratio < 0.4


def test_parts_that_share_less_than_half() -> None:
    moving, fixed, true = _two(hills(3), 3, centre_mm=(26.0, 10.0))
    found = register(moving, fixed)
    assert found.standing is Standing.FITS
    assert _error_mm(found, true, moving) < 0.02
    assert found.overlap_ratio < 0.5


@pytest.mark.parametrize("seed", range(2))
def test_a_counterpart_is_fitted_from_its_other_side(seed: int) -> None:
    moving, fixed, true = _two(hills(seed), seed, is_turned=True)
    assert register(moving, fixed).standing is not Standing.FITS
    found = register(moving, fixed, sides=Sides.OPPOSITE)
    assert found.standing is Standing.FITS
    assert _error_mm(found, true, moving) < FITTED_MM


def test_what_has_changed_in_one_place_pulls_no_more() -> None:
    def swollen(x: Floats, y: Floats) -> Floats:
        return np.asarray(1.2 * np.exp(-((x - 8.0) ** 2 + (y - 5.0) ** 2) / (2.0 * 5.0**2)))

    moving, fixed, true = _two(hills(7), 7, change=swollen)
    found = register(moving, fixed)
    assert found.standing is Standing.FITS
    assert _error_mm(found, true, moving) < 0.006
    assert found.best is not None
    assert found.best.agreement_ratio < 0.95


@pytest.mark.parametrize("seed", [7, 8, 9])
def test_what_stands_out_by_little_more_than_the_scatter_pulls_no_more(seed: int) -> None:
    """As cheek or lip caught with a bite: up to 0.1 mm over a sixth of what overlaps, where points scatter by 0.02 mm."""

    def caught(x: Floats, y: Floats) -> Floats:
        return np.asarray(0.1 * np.clip(1.0 - ((x - 14.0) ** 2 + (y - 8.0) ** 2) / 12.0**2, 0.0, 1.0))

    moving, fixed, true = _two(hills(seed), seed, change=caught, noise_mm=0.02)
    found = register(moving, fixed)
    assert found.standing is Standing.FITS
    assert _error_mm(found, true, moving) < 0.006


def _healed(x: Floats, y: Floats) -> Floats:
    """As a ridge does from before to after teeth were drawn: sunk by 0 to 1 mm over half of what overlaps."""
    sunk = 0.5 * (1.0 + np.sin(x / 2.2) * np.cos(y / 2.7))
    return np.asarray(np.where(np.hypot(x - 6.0, y) < 20.0, -sunk, 0.0))


def test_what_has_changed_over_half_of_the_overlap_pulls_no_more() -> None:
    moving, fixed, true = _two(hills(7), 7, change=_healed)
    found = register(moving, fixed, demand=Demand(agree_mm=0.2, least_agreement=0.4))
    assert found.standing is Standing.FITS
    assert _error_mm(found, true, moving) < FITTED_MM


def test_a_fit_between_what_stayed_and_what_changed_says_how_uncertain_it_is() -> None:
    """Half of the landscape lies 0.4 mm higher: a turn makes up for most of it, and nothing tells which half is the same."""
    moving, fixed, true = _two(hills(9), 9, change=lambda x, _: np.where(x > -4.0, 0.4, 0.0))
    found = register(moving, fixed, demand=Demand(agree_mm=0.2, least_agreement=0.4))
    assert found.best is not None
    assert found.certainty is not None
    ends = apply(true, CORNERS)
    off = np.linalg.norm(apply(found.best.T_fixed_moving, CORNERS) - ends, axis=1)
    assert (off < [found.certainty.u95_mm(end) for end in ends]).all()


@pytest.mark.parametrize("seed", range(3))
def test_two_different_things_do_not_fit(seed: int) -> None:
    moving = surface(meshed(hills(seed), 1), frame(1))
    fixed = surface(meshed(hills(seed + 50), 2), frame(2))
    assert register(moving, fixed).standing is Standing.NOTHING_FITS


def test_a_mirror_image_does_not_fit() -> None:
    moving = surface(meshed(hills(5), 1, is_mirrored=True), frame(1))
    fixed = surface(meshed(hills(5), 2), frame(2))
    assert register(moving, fixed).standing is Standing.NOTHING_FITS


def test_what_repeats_itself_is_ambiguous_and_shows_the_other_place() -> None:
    moving, fixed, _ = _two(egg_box, 1, half_mm=(9.0, 9.0))
    found = register(moving, fixed)
    assert found.standing is Standing.AMBIGUOUS
    assert found.runner_up is not None
    assert found.lead_ratio < 0.1


@pytest.mark.parametrize(("height", "n_loose"), [(flat, 3), (gutter, 2)], ids=["plane", "cylinder"])
def test_motions_that_nothing_holds_are_told(height: Height, n_loose: int) -> None:
    """A plane slides two ways and spins; a cylinder slides and spins (Gelfand 2003)."""
    moving, fixed, _ = _two(height, 1, half_mm=(9.0, 9.0))
    found = register(moving, fixed)
    assert found.standing is not Standing.FITS
    if found.certainty is not None:
        assert len(found.certainty.loose) == n_loose
        assert np.isinf(found.certainty.u95_mm(np.zeros(3)))


def test_the_same_two_surfaces_give_the_same_answer() -> None:
    moving, fixed, _ = _two(hills(2), 2)
    one, two = register(moving, fixed), register(moving, fixed)
    assert one.best is not None
    assert two.best is not None
    np.testing.assert_array_equal(one.best.T_fixed_moving, two.best.T_fixed_moving)


def test_almost_nothing_is_not_fitted() -> None:
    bit = surface(meshed(hills(1), 1, half_mm=(1.5, 1.5)))
    whole = surface(meshed(hills(1), 2), frame(3))
    assert register(bit, whole, demand=Demand()).standing is Standing.NOTHING_FITS


def test_a_turn_of_the_frames_changes_the_numbers_only_by_rounding() -> None:
    moving, fixed, _ = _two(hills(4), 4)
    extra = frame(99)
    plain = register(moving, fixed)
    turned = register(surface(moving.topology.scan, extra), fixed)
    assert plain.best is not None
    assert turned.best is not None
    gap = turned.best.T_fixed_moving @ extra @ inverse(plain.best.T_fixed_moving)
    assert angle_deg(gap) < 0.003


def test_a_believed_pose_is_followed_to_the_true_one() -> None:
    moving, fixed, true = _two(hills(8), 8)
    start = small_motion(np.array([0.004, -0.003, 0.005, 0.3, -0.2, 0.25])) @ true
    found = register_near(moving, fixed, start)
    assert found.standing is Standing.FITS
    assert _error_mm(found, true, moving) < FITTED_MM
    part, whole, true = _two(hills(8), 8, half_mm=(13.0, 11.0))
    back = register_near(whole, part, inverse(true))
    assert back.standing is Standing.FITS
    assert back.best is not None
    assert angle_deg(back.best.T_fixed_moving @ true) < 0.05


@pytest.mark.parametrize("off_mm", [25.0, 500.0])
def test_a_believed_pose_that_is_wrong_does_not_hold(off_mm: float) -> None:
    moving, fixed, true = _two(hills(8), 8)
    start = true.copy()
    start[:3, 3] += off_mm
    assert register_near(moving, fixed, start).standing is Standing.NOTHING_FITS
